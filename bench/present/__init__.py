"""Plots, overlays and contact sheets."""
