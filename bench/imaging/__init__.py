"""Forward image model of a planar target: rasteriser, optics, illumination, sensor."""
