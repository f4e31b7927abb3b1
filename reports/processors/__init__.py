"""How far results differ between types of processor."""
