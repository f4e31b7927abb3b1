"""Adapters around open-source detectors, normalised to one pixel origin and corner order."""
