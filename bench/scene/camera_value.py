"""A camera as results hold it: intrinsics in pixels, distortion as OpenCV orders it."""

from __future__ import annotations

from pydantic import Field

from bench.geometry.camera import Camera
from bench.strict import Section


class CameraValue(Section):
    """A camera's frame and intrinsics, pixels; pixel pitch, metres, where it is known."""

    width: int = Field(gt=0, le=1_000_000)
    height: int = Field(gt=0, le=1_000_000)
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: list[float] = Field(min_length=5, max_length=5)
    pixel_pitch: float | None = None

    @property
    def camera(self) -> Camera:
        """The camera.

        Raises
        ------
        ConfigError
            A number is outside its limits.
        """
        k1, k2, p1, p2, k3 = self.distortion
        return Camera(
            width=self.width,
            height=self.height,
            fx=self.fx,
            fy=self.fy,
            cx=self.cx,
            cy=self.cy,
            distortion=(k1, k2, p1, p2, k3),
            pixel_pitch=self.pixel_pitch,
        )


def camera_value(camera: Camera) -> CameraValue:
    """Return a camera as a result holds it."""
    return CameraValue(
        width=camera.width,
        height=camera.height,
        fx=float(camera.fx),
        fy=float(camera.fy),
        cx=float(camera.cx),
        cy=float(camera.cy),
        distortion=[float(v) for v in camera.distortion],
        pixel_pitch=None if camera.pixel_pitch is None else float(camera.pixel_pitch),
    )
