"""Siting of the towers: limits, objective, optimiser, files and figures."""
