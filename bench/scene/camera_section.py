"""The part of a file that describes a camera: intrinsics, lens, sensor."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from bench.geometry.camera import Camera
from bench.geometry.lens_models import BROWN, FISHEYE, MORE, RATIONAL
from bench.imaging.optics import Optics
from bench.imaging.sensor import Sensor
from bench.scene.fields import given
from bench.scene.quantities import FocalLength, FocalLengthField, Pair, Quantity, written
from bench.strict import Section

PixelCount = Annotated[int, Field(ge=8, le=30_000, examples=[2448])]


class DistortionSection(Section):
    """Lens distortion in OpenCV's parametrisation; plain numbers."""

    k1: float = 0.0
    """First radial coefficient, of r²; negative is a barrel."""
    k2: float = 0.0
    """Second radial coefficient, of r⁴."""
    p1: float = 0.0
    """First tangential coefficient."""
    p2: float = 0.0
    """Second tangential coefficient."""
    k3: float = 0.0
    """Third radial coefficient, of r⁶."""
    model: Literal["brown-conrady", "rational", "fisheye"] | None = None
    """Of the lens: brown-conrady when left out; OpenCV's rational one, whose radial factor is
    divided by 1 + k4 r² + k5 r⁴ + k6 r⁶; or its fisheye one, with k1 to k4 of θ² to θ⁸."""
    k4: float | None = None
    """Of the rational and the fisheye model."""
    k5: float | None = None
    """Of the rational model."""
    k6: float | None = None
    """Of the rational model."""

    @model_validator(mode="after")
    def _of_the_model(self) -> DistortionSection:
        own = {RATIONAL: ("k4", "k5", "k6"), FISHEYE: ("k4",)}.get(self.model or BROWN, ())
        for name in ("k4", "k5", "k6"):
            if getattr(self, name) is not None and name not in own:
                raise ValueError(f"{name} isn't a coefficient of model {self.model or BROWN}")
        return self

    @property
    def more(self) -> tuple[float, ...]:
        """The model's coefficients beyond k3; those left out are 0."""
        count = MORE[self.model or BROWN]
        return tuple(k or 0.0 for k in (self.k4, self.k5, self.k6)[:count])


class IntrinsicsSection(Section):
    """What decides where a point appears in the picture."""

    width: PixelCount
    """Picture width in pixels."""
    height: PixelCount
    """Picture height in pixels."""
    focal_length: Annotated[FocalLength, FocalLengthField()]
    """Focal length, with its unit: a length (needs pixel_pitch) or px; or two in px, across and
    down."""
    pixel_pitch: Annotated[float, Quantity("length", "0.1 um", "100 um")] | None = None
    """Distance of neighbouring pixels on the sensor; needed where lengths in millimetres meet
    pixels."""
    principal_point: (
        Annotated[tuple[float, float], Pair("pixels", "-30000 px", "60000 px")] | None
    ) = None
    """Where the optical axis meets the picture, across and down; (0, 0) is the centre of the top
    left pixel. The middle of the picture when left out."""
    distortion: DistortionSection = Field(default_factory=lambda: DistortionSection())
    """Lens distortion; none when left out."""

    @model_validator(mode="after")
    def _pitch_where_needed(self) -> IntrinsicsSection:
        if self.focal_length.unit == "m" and self.pixel_pitch is None:
            raise ValueError("focal_length as a length needs pixel_pitch too; or give it in px")
        return self

    def to_camera(self) -> Camera:
        """Return the camera.

        Raises
        ------
        ConfigError
            The intrinsics contradict themselves.
        """
        fx, fy = self.focal_length.values
        if self.focal_length.unit == "m" and self.pixel_pitch is not None:
            fx, fy = fx / self.pixel_pitch, fy / self.pixel_pitch
        middle = (0.5 * (self.width - 1), 0.5 * (self.height - 1))
        cx, cy = middle if self.principal_point is None else self.principal_point
        d = self.distortion
        return Camera(
            self.width,
            self.height,
            fx,
            fy,
            cx,
            cy,
            (d.k1, d.k2, d.p1, d.p2, d.k3),
            self.pixel_pitch,
            d.model or BROWN,
            d.more,
        )


class OpticsSection(Section):
    """How the lens, and motion, blur the picture."""

    sigma: Annotated[float, Quantity("pixels", "0 px", "20 px")] = written("0.6 px")
    """Standard deviation of a Gaussian blur that stands for all that isn't modelled; 0 px, or
    from 0.05 px."""
    f_number: Annotated[float, Field(ge=0.7, le=64.0)] | None = None
    """Focal length over aperture; adds diffraction and defocus, none when left out."""
    wavelength: Annotated[float, Quantity("length", "200 nm", "2000 nm")] = written("550 nm")
    """Of the light, for diffraction and defocus."""
    focus_distance: Annotated[float, Quantity("length", "10 mm", "1e6 m")] | None = None
    """Where the lens is focused; sharp at any distance when left out."""
    motion: Annotated[tuple[float, float], Pair("pixels", "-100 px", "100 px")] = written(
        ("0 px", "0 px")
    )
    """How far the picture moves while the shutter is open, to the right and down."""
    field_sigma: Annotated[float, Quantity("pixels", "0 px", "20 px")] | None = None
    """What is added to `sigma`, in quadrature, half the picture's diagonal from the principal
    point; less nearer to it, in proportion. None when left out."""

    def to_optics(self) -> Optics:
        """Return the optics.

        Raises
        ------
        ConfigError
            A focus distance without an f-number, or a field on a lens without blur.
        """
        return Optics(
            self.sigma,
            self.f_number,
            self.wavelength,
            self.focus_distance,
            self.motion,
            self.field_sigma or 0.0,
        )


class SensorSection(Section):
    """The sensor in the terms of EMVA 1288; its data sheet has these numbers."""

    quantum_efficiency: Annotated[float, Field(ge=1e-3, le=1.0)] = 0.6
    """Electrons per photon."""
    dark_noise: Annotated[float, Quantity("electrons", "0 e-", "10000 e-")] = written("4 e-")
    """Standard deviation of a pixel without light: the temporal dark noise."""
    dark_current: Annotated[float, Quantity("current", "0 e-/s", "1e8 e-/s")] = written("0 e-/s")
    """Electrons that gather without light."""
    exposure: Annotated[float, Quantity("time", "0 s", "3600 s")] = written("5 ms")
    """Exposure time; matters for the dark current alone."""
    full_well: Annotated[float, Quantity("electrons", "10 e-", "1e7 e-")] = written("10 ke-")
    """Electrons that a pixel holds: the saturation capacity."""
    gain: Annotated[float, Quantity("gain", "1e-6 DN/e-", "1000 DN/e-")] | None = None
    """Grey values per electron; when left out, a full pixel is white."""
    bit_depth: Annotated[int, Field(ge=8, le=16)] = 8
    """Bits of a grey value."""
    black_level: Annotated[float, Quantity("grey value", "0 DN", "32767 DN")] = written("2 DN")
    """Grey value without light."""
    gamma: Annotated[float, Field(ge=0.2, le=5.0)] | None = None
    """Grey values above black are light to the power 1/gamma, as pictures for screens have it; in
    proportion when left out. All other numbers are of the proportional ones."""
    noise_correlation: list[list[float]] | None = None
    """Of a pixel's noise with that of the one so many rows and columns away, [[1, …], …], as
    denoising or sharpening leaves it; none when left out. Measured by characterise."""

    def to_sensor(self) -> Sensor:
        """Return the sensor.

        Raises
        ------
        ConfigError
            The numbers contradict each other.
        """
        values, table = given(self, "noise_correlation"), self.noise_correlation
        return Sensor(
            **values, noise_correlation=None if table is None else tuple(map(tuple, table))
        )


class CameraSection(IntrinsicsSection):
    """A camera: intrinsics, lens and sensor."""

    optics: OpticsSection = Field(default_factory=lambda: OpticsSection())
    """Blur of the lens."""
    sensor: SensorSection = Field(default_factory=lambda: SensorSection())
    """Noise and digitisation."""

    @model_validator(mode="after")
    def _pitch_for_diffraction(self) -> CameraSection:
        if self.optics.f_number is not None and self.pixel_pitch is None:
            raise ValueError("optics.f_number needs pixel_pitch too")
        return self
