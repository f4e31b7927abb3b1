"""A small bay of round numbers, and ways to write it with one thing changed."""

from pathlib import Path

import pytest

ROUND_BAY = """
name = "Round numbers"
standoff = "3 m"

[camera]
width = 2000
height = 1000
pixel_pitch = "5 um"
focal_length = "10 mm"

[[tower]]
name = "left"
offset = "2 m"
height = "1 m"

[[tower]]
name = "right"
offset = "-2 m"
height = "1 m"
yaw = "-30 deg"

[[vehicle]]
name = "cart"

[[vehicle.axle]]
name = "front"
behind = "0 m"
track = "1.6 m"
wheel_height = "0.4 m"

[[vehicle.axle]]
name = "rear"
behind = "4 m"
track = "1.6 m"
wheel_height = "0.4 m"

[target]
kind = "marker"
size = "200 mm"
plate = ["300 mm", "400 mm"]

[survey]
ranges = "2.5, 5 m"
turns = "0, 45 deg"
pipelines = ["aruco-subpix/ippe-lm"]

[tolerance]
within = "0.1 deg"
"""


@pytest.fixture
def bay_file(tmp_path):
    """Write the bay, some text replaced by other text, and return its path."""

    def write(*changes: tuple[str, str], extra: str = "") -> Path:
        text = ROUND_BAY
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        path = tmp_path / "round.toml"
        path.write_text(text + extra, encoding="utf-8")
        return path

    return write
