"""Drawings compared on one plate: candidates, ranking, words, figures."""
