"""What a pipeline may see: the picture, the camera and the target's drawing. Never the truth."""

from dataclasses import dataclass

from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.targets.target import Target


@dataclass(frozen=True, eq=False)
class Observation:
    """One picture of one target by one camera."""

    picture: Picture
    camera: Camera
    target: Target
