"""Study: how often a calibration's claims cover the truth, over rendered calibrations."""
