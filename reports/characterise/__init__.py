"""How well `sightbench characterise` measures cameras that are known, and judges them."""
