"""A tower aimed by its own pictures: whose targets they show, and how to turn and tip it."""
