"""How fast the bench is, against other renderers, against itself and against what was asked."""
