"""Cameras: calibration from pictures of a board, and real photographs measured and drawn over."""
