"""The bay book: one folder for one bay from first idea to hand-over."""
