"""Baselines, comparison and verdicts; other people's pipelines, their tests and conformance."""
