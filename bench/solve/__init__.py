"""Pose solvers, covariance, ambiguity, and camera calibration."""
