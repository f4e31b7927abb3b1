"""A camera as results hold it: intrinsics in pixels, distortion as OpenCV orders it."""

from __future__ import annotations

from pydantic import Field

from bench.geometry.camera import Camera, from_opencv
from bench.strict import Section


class CameraValue(Section):
    """A camera's frame and intrinsics, pixels; pixel pitch, metres, where it is known."""

    width: int = Field(gt=0, le=1_000_000)
    height: int = Field(gt=0, le=1_000_000)
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: list[float] = Field(min_length=4, max_length=8)
    """Five coefficients, eight of a rational lens, four of a fisheye one."""
    pixel_pitch: float | None = None

    @property
    def camera(self) -> Camera:
        """The camera.

        Raises
        ------
        ConfigError
            A number is outside its limits.
        """
        model, distortion, more = from_opencv(self.distortion)
        return Camera(
            width=self.width,
            height=self.height,
            fx=self.fx,
            fy=self.fy,
            cx=self.cx,
            cy=self.cy,
            distortion=distortion,
            pixel_pitch=self.pixel_pitch,
            model=model,
            more=more,
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
        distortion=[float(v) for v in camera.opencv_coefficients],
        pixel_pitch=None if camera.pixel_pitch is None else float(camera.pixel_pitch),
    )
