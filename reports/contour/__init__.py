"""What a survey along a contour saves against the full grid: see `bench.survey.contour`."""
