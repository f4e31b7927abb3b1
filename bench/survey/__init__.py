"""Surveys: plan, run, score, summarise, limits."""
