"""The sizes that a bay file gives a tower's pictures, in numbers and in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bench.built.draws import OneBay, Sizes
from bench.built.response import common_turn
from bench.geometry.camera import Camera
from bench.scene.budget_terms import BudgetTerms
from bench.scene.imperfections import Imperfections
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.solve.response import CameraErrors
from bench.units import format_length

AS_DRAWN_WORDS = (
    "As drawn: noise alone. Real cameras, prints and plates add more; leave out --as-drawn."
)


def sizes_of(
    bay: Bay, tower: Tower, errors: CameraErrors | None = None, one: OneBay | None = None
) -> Sizes:
    """Return what pictures of a tower's camera are drawn from.

    Parameters
    ----------
    bay, tower : Bay, Tower
        Its [budget] gives what moves points, its [imperfections] everything else; its wheels
        say which turn of the camera's frame is common to them.
    errors : CameraErrors, optional
        What isn't known of the camera, from its calibration; by default of the bay's sizes.
    one : OneBay, optional
        The one bay of all pictures.
    """
    camera = tower.camera
    plain = sizes_from(bay.budget, bay.imperfections, camera)
    modes = plain.modes if errors is None else errors.modes
    T_camera_bay = tower.T_bay_camera.inverse()
    poses = (T_camera_bay @ wheel.T_bay_target for wheel in wheels_of_tower(bay, tower))
    common = common_turn(bay.target, poses, camera, modes)
    return replace(plain, modes=modes, common=common, one=one)


def sizes_from(terms: BudgetTerms, more: Imperfections, camera: Camera) -> Sizes:
    """Return the sizes of a camera that no bay's wheels are seen by: nothing is common."""
    modes = CameraErrors(terms.camera_modes(camera)).modes
    return Sizes(
        modes=modes,
        print_scale=terms.print_scale,
        print_aspect=terms.print_aspect,
        flatness=terms.flatness,
        imperfections=more,
        common=np.zeros((3, modes.shape[1])),
    )


def sizes_words(bay: Bay) -> str:
    """Say in a line what pictures of a bay are rendered with, and whose numbers they are."""
    words = words_of_sizes(bay.budget, bay.imperfections, bay.sized, "bay file")
    return f"{words} --as-drawn leaves noise alone."


def words_of_sizes(
    terms: BudgetTerms, more: Imperfections, sized: tuple[str, ...], file: str
) -> str:
    """Say it of the sections that a file has, `sized`, and the assumptions for the others."""
    assumed = [f"[{name}]" for name in ("budget", "imperfections") if name not in sized]
    whose = f"the {file}'s sizes"
    if assumed:
        whose = f"sizes of a careful workshop where the {file} has no {' and no '.join(assumed)}"
    return (
        f"As built, {whose}: focal length {terms.focal:g}, principal point "
        f"{terms.principal_point:g} px, distortion {terms.distortion:g} px at the corner; print "
        f"scale {terms.print_scale:g}, aspect {terms.print_aspect:g}; bow and twist "
        f"{_mm(terms.flatness)}; ink {_mm(more.ink_spread)}; paper {_percent(more.paper)}; "
        f"light {_percent(more.exposure)}; blur {_percent(more.blur)} and {more.blur_corner:g} px "
        f"at the corner; a reflection in {_percent(more.reflection_share)} of pictures; "
        f"{more.dirt:g} spots of dirt a plate."
    )


def one_bay_words(name: str) -> str:
    """Say what pictures of one bay tell, and what they don't."""
    return (
        f"All pictures are of one bay, {name}: rates and limits hold for it alone. Its errors "
        "are the same in every picture, so that they say nothing of other bays like it."
    )


def _mm(metres: float) -> str:
    return format_length(metres, "mm")


def _percent(fraction: float) -> str:
    return f"{100.0 * fraction:g} %"
