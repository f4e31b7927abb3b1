"""What optional detectors are good for."""
