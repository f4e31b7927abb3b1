"""Checks of a bay on site: a known length, repeatability, a tower that moved."""
