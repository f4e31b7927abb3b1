"""What the towers see of a bay's targets, and how well they measure them."""
