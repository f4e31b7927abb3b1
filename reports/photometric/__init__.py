"""How well the photometric solver does, and how badly where its model is wrong."""
