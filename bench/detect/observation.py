"""Observations: all that a pipeline may see, picture, camera and drawing, never the truth."""

from dataclasses import dataclass

from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.imaging.sensor import Sensor
from bench.targets.target import Target


@dataclass(frozen=True, eq=False)
class Observation:
    """One picture of one target by one camera.

    Attributes
    ----------
    picture : Picture
        What the camera saw.
    camera : Camera
        Its intrinsics.
    target : Target
        What to look for.
    sensor : Sensor or None
        The camera's noise figures (EMVA 1288), where they are known.
    """

    picture: Picture
    camera: Camera
    target: Target
    sensor: Sensor | None = None

    @property
    def linear_sensor(self) -> Sensor | None:
        """The sensor where it is as EMVA 1288 has it; processed pictures tell for themselves."""
        return None if self.sensor is None or self.sensor.is_processed else self.sensor
