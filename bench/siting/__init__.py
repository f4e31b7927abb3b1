"""Where to stand and aim the towers: limits, objective, optimiser, files and figures."""
