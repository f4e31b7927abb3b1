"""Figures of a survey: maps, curves, comparisons, contact sheets."""
