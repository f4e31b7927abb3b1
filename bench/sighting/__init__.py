"""Sighting: the towers' view of a bay's targets, and how well they measure them."""
