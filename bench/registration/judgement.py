"""A registration from what was seen, with all that can be said against it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from bench.registration.bar_views import unknowns_of
from bench.registration.checks import Check, checks, failing, off_plan, on_the_right, refuse_length
from bench.registration.fit import NO_CAUSES, Registration, register
from bench.registration.sights import Cameras, Step
from bench.registration.systematic import Causes
from bench.scene.bar import BarPose
from bench.scene.model import Bay
from bench.typing import Array

# How far a bar's end may move otherwise than planned, metres. An operator who scatters by 20 mm
# and 1 degree puts an end of a 2 m bar within 26 mm of its place, in each coordinate; a move is
# off by sqrt(2) times that, and the length of a vector of three such is beyond 4.03 times it
# once in 1,000, that is 1 in 100 for the ten moves of a list of six.
PLAN_TOLERANCE = 0.15


@dataclass(frozen=True, eq=False)
class Judged:
    """A registration and its checks.

    Attributes
    ----------
    registration : Registration
        What was found.
    checks : tuple of Check
        All residual tests.
    off_plan : tuple of str
        Where the bar wasn't moved as planned.
    swapped : tuple of str
        Steps in which A and B stand on each other's side, unplanned; and swapped towers.
    """

    registration: Registration
    checks: tuple[Check, ...]
    off_plan: tuple[str, ...]
    swapped: tuple[str, ...]

    @property
    def covariance(self) -> Array:
        """Covariance (6, 6) of T_left_right from all that is known of."""
        return np.asarray(self.registration.covariance_left_right + self.registration.systematic)

    @property
    def failed(self) -> tuple[Check, ...]:
        """Checks that fail, the worst first."""
        return failing(self.checks)

    @property
    def is_clean(self) -> bool:
        """Whether nothing speaks against it."""
        return not (self.failed or self.off_plan or self.swapped)

    def words(self) -> list[str]:
        """Return what to tell the user, a line each."""
        found = self.registration
        X, sigma = found.T_left_right, np.sqrt(np.diag(self.covariance))
        noise = np.sqrt(np.diag(found.covariance_left_right))
        turn = np.degrees(X.rotvec)
        lines = [
            f"registration from {len(found.model.steps)} steps: chi-square "
            f"{found.chi_square:.1f} with {found.degrees} degrees of freedom, p = "
            f"{found.p_value:.2g}"
            + (", errors of cameras and target sizes allowed for" if found.shifts.size else ""),
            "right camera in the left one's frame: rotation vector "
            f"({', '.join(f'{v:.4f}' for v in turn)}) deg, translation "
            f"({', '.join(f'{1e3 * v:.2f}' for v in X.translation)}) mm",
            "standard uncertainties: "
            f"({', '.join(f'{v:.2g}' for v in np.degrees(sigma[:3]))}) deg about the right "
            f"camera's axes, ({', '.join(f'{1e3 * v:.2g}' for v in sigma[3:])}) mm along the left "
            "one's, each x right, y down, z forward; of these "
            f"from noise ({', '.join(f'{v:.2g}' for v in np.degrees(noise[:3]))}) deg, "
            f"({', '.join(f'{1e3 * v:.2g}' for v in noise[3:])}) mm, the rest from errors of "
            "cameras and target sizes",
        ]
        if found.variance_factor > 1.0:
            lines.append(
                "residuals are larger than the claimed noise: standard uncertainties were raised "
                f"by a factor of {np.sqrt(found.variance_factor):.2f}"
            )
        if found.length is not None:
            length, u = found.length
            lines.append(f"bar: {1e3 * length:.2f} mm between its targets, ±{1e3 * u:.2g} mm")
        weakest = found.directions[0]
        lines.append(
            f"least determined: {weakest.words} (least singular value "
            f"{weakest.singular_value:.3g} 1/m)"
        )
        lines += [f"check failed: {c.name}, p = {c.p_value:.2g}" for c in self.failed]
        lines += [f"not as planned: {words}" for words in self.off_plan]
        lines += [f"swapped? {words}" for words in self.swapped]
        if self.is_clean:
            lines.append(f"all {len(self.checks)} residual checks passed")
        return lines

    def checks_table(self) -> pl.DataFrame:
        """Return a row for each check."""
        failed = {c.name for c in self.failed}
        return pl.DataFrame(
            [
                {
                    "check": c.name,
                    "chi_square": c.statistic,
                    "degrees": c.degrees,
                    "p_value": c.p_value,
                    "failed": c.name in failed,
                }
                for c in self.checks
            ]
        )


def judge(
    steps: Sequence[Step],
    cameras: Cameras,
    bay: Bay,
    length: tuple[float, float] | None = None,
    planned: Sequence[BarPose] | None = None,
    causes: Causes = NO_CAUSES,
) -> Judged:
    """Register and say all that speaks for and against it.

    Parameters
    ----------
    steps : sequence of Step
        What was seen.
    cameras : Cameras
        Intrinsics.
    bay : Bay
        Whose bar it is, as drawn.
    length : (float, float), optional
        The bar's calibrated length and its standard uncertainty, metres.
    planned : sequence of BarPose, optional
        What was to be done; without it, A is taken to stand on the left.
    causes : Causes
        Errors of cameras and target sizes; poses of a table don't answer to those of cameras.

    Raises
    ------
    GeometryError
        As `register`, or the bar's length disagrees with the data.
    """
    found = register(steps, cameras, bay.bar.T_a_b, length, causes=causes)
    refuse_length(found)
    off: tuple[str, ...] = ()
    swapped: tuple[str, ...] = ()
    if found.model.two_ends:
        wanted = [False] * len(steps) if planned is None else [p.reversed for p in planned]
        side = {True: "right", False: "left"}
        swapped = tuple(
            f"in {step.name} target A stands on the {side[seen]}, expected on the {side[want]}"
            for step, seen, want in zip(steps, on_the_right(found), wanted, strict=True)
            if seen != want
        )
        if found.T_left_right.translation[0] > 0.0:
            # cameras look at the vehicle, so the right tower is on the left of the left picture
            swapped += ("the left tower's pictures come from the tower on the right",)
        if planned is not None:
            off = off_plan(found, unknowns_of(bay, planned).T_left_a, PLAN_TOLERANCE)
    return Judged(found, checks(found), off, swapped)
