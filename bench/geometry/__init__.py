"""Poses, rotations, the camera model and viewing geometry."""
