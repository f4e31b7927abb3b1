"""A walk through the whole job on an invented bay, from first idea to hand-over."""
