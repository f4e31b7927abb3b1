"""From a scene to camera pictures."""
