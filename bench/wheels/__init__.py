"""Wheel angles from measured poses of the targets on a vehicle's wheels."""
