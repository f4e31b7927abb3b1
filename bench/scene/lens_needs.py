"""Needs of the targets' distances from a tower's lens, beside what it has."""

from __future__ import annotations

from dataclasses import dataclass

from bench.imaging.lens_facts import (
    airy_diameter,
    cutoff_frequency,
    depth_of_field,
    f_number_for,
    focus_for,
    hyperfocal_distance,
)
from bench.scene.model import Bay, Tower, wheels_of_tower

SHARP_PX = 1.0  # blur circles up to a pixel count as sharp


@dataclass(frozen=True)
class LensNeeds:
    """One tower's lens, metres and pixels; sharp means a blur circle of `SHARP_PX` at most.

    Attributes
    ----------
    tower : str
        Name.
    near, far : float
        Depths, along the camera's line of sight, between which its targets stand.
    best_focus : float
        Focus distance that serves both equally.
    least_f_number : float
        That keeps both sharp, focused so.
    wavelength : float
        Of the light.
    f_number, focus : float or None
        The lens's own; None where the file doesn't say.
    sharp : (float, float) or None
        Nearest and farthest sharp distance with these.
    hyperfocal : float or None
        Nearest focus that keeps infinity sharp, at its f-number.
    airy_px, cutoff_px : float
        Diameter of the Airy disc, pixels, and the frequency, cycles per pixel, above which
        nothing passes: at the lens's f-number, or at the least one.
    """

    tower: str
    near: float
    far: float
    best_focus: float
    least_f_number: float
    wavelength: float
    f_number: float | None
    focus: float | None
    sharp: tuple[float, float] | None
    hyperfocal: float | None
    airy_px: float
    cutoff_px: float


def lens_needs(bay: Bay, tower: Tower) -> LensNeeds | None:
    """Return what a tower's lens needs and has.

    None where the camera has no pixel pitch, so that its focal length in metres isn't known, or
    where no target stands in front of it beyond twice that.
    """
    camera, optics = tower.camera, tower.imaging.optics
    if camera.pixel_pitch is None:
        return None
    focal, blur = camera.fx * camera.pixel_pitch, SHARP_PX * camera.pixel_pitch
    T_camera_bay = tower.T_bay_camera.inverse()
    depths = [
        float((T_camera_bay @ wheel.T_bay_target.translation)[2])
        for wheel in wheels_of_tower(bay, tower)
    ]
    ahead = [depth for depth in depths if depth > 2.0 * focal]
    if not ahead:
        return None
    near, far = min(ahead), max(ahead)
    least = f_number_for(near, far, focal, blur)
    own, focus = optics.f_number, optics.focus_distance
    stop = least if own is None else own
    known = own is not None and focus is not None and focus > focal
    return LensNeeds(
        tower=tower.name,
        near=near,
        far=far,
        best_focus=focus_for(near, far),
        least_f_number=least,
        wavelength=optics.wavelength,
        f_number=own,
        focus=focus,
        sharp=depth_of_field(focus, focal, own, blur) if known and focus and own else None,
        hyperfocal=None if own is None else hyperfocal_distance(focal, own, blur),
        # with all targets at one depth any aperture is sharp, and nothing diffracts
        airy_px=airy_diameter(optics.wavelength, stop) / camera.pixel_pitch,
        cutoff_px=(
            cutoff_frequency(optics.wavelength, stop) * camera.pixel_pitch
            if stop > 0.0
            else float("inf")
        ),
    )
