"""Choice of the lens model and of the board's shape by what they predict of views left out.

Of nested models the simplest is taken that predicts views which took no part as well as the best
does: to within one standard error of the difference, view by view (the one-standard-error rule of
Breiman, Friedman, Olshen and Stone 1984, "Classification and Regression Trees", 3.4.3, paired).

A number that is held because nothing speaks for it isn't known to be 0. So the claims are those of
the fullest model that the views determine, around the values of the simplest: claims of the
simplest alone cover 85 % of projected points at k = 2 where small terms go undetected, these 95 %
and more (`tests/cameras/test_model_choice.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from bench.cameras.adjustment import UNDETERMINED, BoardView, State
from bench.cameras.intrinsics import SHAPES, Calibration, LensModel, calibrate
from bench.cameras.intrinsics_views import OUTSTANDING, view_scores
from bench.cameras.resampling import paired_excess
from bench.errors import GeometryError
from bench.geometry.lens_models import BROWN, FISHEYE

# With fewer views a standard error over views says next to nothing (three differences have two
# degrees of freedom), and all parameters that are asked for are kept.
LEAST_TO_COMPARE = 4
SHAPE_OPTIONS = {"flat": 0, "bow": 2, "twist": 3}
SHAPE_WORDS = {0: "flat", 2: "bowed (2 numbers)", 3: "bowed and twisted (3 numbers)"}


@dataclass(frozen=True)
class Freedom:
    """What the choice may decide; None is open.

    Attributes
    ----------
    square_pixels, tangential : bool or None
        As in `LensModel`.
    radial_terms : int or None
        As in `LensModel`.
    shape : int or None
        One of `bench.cameras.intrinsics.SHAPES`.
    centred : bool
        Hold the principal point in the middle: never chosen, since no lens is mounted so.
    family : str
        Of lenses, see `bench.cameras.lenses`: not compared here (`bench.cameras.wide_lenses`).
    """

    square_pixels: bool | None = None
    tangential: bool | None = None
    radial_terms: int | None = None
    shape: int | None = None
    centred: bool = False
    family: str = BROWN

    @property
    def fullest(self) -> LensModel:
        """The model with all that is open free."""
        return LensModel(
            bool(self.square_pixels),
            self.centred,
            self.tangential is not False,
            3 if self.radial_terms is None else self.radial_terms,
            self.family,
        )

    @property
    def models(self) -> list[LensModel]:
        """All models that are allowed."""
        squares = (True, False) if self.square_pixels is None else (self.square_pixels,)
        tangents = (False, True) if self.tangential is None else (self.tangential,)
        terms = range(4) if self.radial_terms is None else (self.radial_terms,)
        if self.family != BROWN:
            terms = (3,)
        if self.family == FISHEYE:
            tangents = (False,)
        return [
            LensModel(square, self.centred, tangential, count, self.family)
            for square, tangential, count in product(squares, tangents, terms)
        ]


@dataclass(frozen=True, eq=False)
class Candidate:
    """A model that was compared.

    Attributes
    ----------
    calibration : Calibration
        From the views that were compared.
    held_out_px : float
        Root mean square distance of a point from its prediction by the other views.
    excess, standard_error : float
        Mean squared distance over the best's, pixels², and its standard error over views.
    """

    calibration: Calibration
    held_out_px: float
    excess: float
    standard_error: float

    @property
    def as_good(self) -> bool:
        """Whether it predicts views left out as well as the best."""
        return self.excess <= self.standard_error


@dataclass(frozen=True, eq=False)
class Choice:
    """A model chosen, and what it was compared with.

    Attributes
    ----------
    model : LensModel
    shape : int
    lenses, shapes : tuple of Candidate
        Compared, the simplest first; empty where nothing was open.
    words : tuple of str
        Which and why, a line each.
    fullest : LensModel or None
        The fullest that the views determine; None where it is what was chosen.
    fullest_shape : int
        The most of the board's numbers that was open.
    """

    model: LensModel
    shape: int
    lenses: tuple[Candidate, ...] = ()
    shapes: tuple[Candidate, ...] = ()
    words: tuple[str, ...] = ()
    fullest: LensModel | None = None
    fullest_shape: int = 0


def choose(views: Sequence[BoardView], size: tuple[int, int], freedom: Freedom) -> Choice:
    """Choose the lens model and the board's shape.

    Views that stand out take no part: a single bad one would decide every comparison. The
    board's shape is chosen with the fullest lens model, the lens with that shape, then the shape
    again.

    Raises
    ------
    GeometryError
        No model can be fitted.
    """
    if len(views) < LEAST_TO_COMPARE:
        shape = freedom.shape or 0
        few = (
            f"{len(views)} views are too few to compare lens models (at least "
            f"{LEAST_TO_COMPARE}): all parameters asked for are free, the board is taken as "
            f"{SHAPE_WORDS[shape]}"
        )
        return Choice(freedom.fullest, shape, words=(few,))
    fullest = _fullest(views, size, freedom)
    usual = [i for i, score in enumerate(view_scores(fullest)) if score <= OUTSTANDING]
    compared = [views[i] for i in usual] if len(usual) >= LEAST_TO_COMPARE else list(views)
    models, model = freedom.models, fullest.model
    shapes: tuple[Candidate, ...] = ()
    shape = freedom.shape if freedom.shape is not None else 0
    if freedom.shape is None:
        shapes = _compare(compared, size, [(model, s) for s in SHAPES])
        shape = len(simplest(shapes).calibration.shape)
    lenses: tuple[Candidate, ...] = ()
    if len(models) > 1:
        lenses = _compare(compared, size, [(m, shape) for m in models])
        model = simplest(lenses).calibration.model
    if freedom.shape is None:
        shapes = _compare(compared, size, [(model, s) for s in SHAPES])
        shape = len(simplest(shapes).calibration.shape)
    words = (
        *_words("lens model", lenses, _lens_words),
        *_words("board", shapes, lambda c: SHAPE_WORDS[len(c.shape)]),
    )
    most = SHAPES[-1] if freedom.shape is None else freedom.shape
    return Choice(model, shape, lenses, shapes, words, fullest.model, most)


def claimed(
    calibration: Calibration, views: Sequence[BoardView], size: tuple[int, int], choice: Choice
) -> Calibration:
    """Return a calibration by the chosen model with the claims of the fullest.

    Where the views leave the fullest open, its shape is the chosen one; where they leave that open
    too, the calibration's own claims stay.
    """
    if choice.fullest is None:
        return calibration
    for shape in dict.fromkeys((choice.fullest_shape, choice.shape)):
        try:
            full = calibrate(views, size, choice.fullest, shape, calibration.state)
        except GeometryError:
            continue
        return replace(
            calibration,
            covariance=full.covariance,
            shape_uncertainties=full.shape_uncertainties[: len(calibration.shape)],
            widening=full.widening,
            shape_widening=full.shape_widening,
            state=full.state,
            rows=full.rows,
            joint=full.joint,
        )
    return calibration


def simplest(candidates: Sequence[Candidate]) -> Candidate:
    """Return the candidate with the fewest free numbers that predicts as well as the best."""
    good = [c for c in candidates if c.as_good]
    return min(good, key=lambda c: (c.calibration.n_free, c.held_out_px))


def _fullest(views: Sequence[BoardView], size: tuple[int, int], freedom: Freedom) -> Calibration:
    """Return the fullest calibration that the views determine."""
    models = sorted(freedom.models, key=lambda m: -len(m.free))
    for model in models:
        try:
            return calibrate(views, size, model, freedom.shape or 0)
        except GeometryError:
            if model == models[-1]:
                raise
    raise AssertionError("a freedom allows a model")


def _compare(
    views: Sequence[BoardView], size: tuple[int, int], options: Sequence[tuple[LensModel, int]]
) -> tuple[Candidate, ...]:
    """Return candidates, the simplest first; those that the views don't determine are left out."""
    found: list[Calibration] = []
    start: State | None = None
    for model, shape in sorted(options, key=lambda o: -(len(o[0].free) + o[1])):
        try:
            found.append(calibrate(views, size, model, shape, start))
            start = start or found[-1].state
        except GeometryError:
            continue
    if not found:
        raise GeometryError(UNDETERMINED)
    counts = np.array([r.size // 2 for r in found[0].residuals])
    squares = np.array([c.left_out_rmse_px**2 for c in found])  # mean of each view, (M, V)
    pooled = squares @ counts / counts.sum()
    best = int(np.argmin(pooled))
    candidates = [
        Candidate(
            calibration,
            float(np.sqrt(pooled[i])),
            *paired_excess(squares[i], squares[best], counts),
        )
        for i, calibration in enumerate(found)
    ]
    return tuple(sorted(candidates, key=lambda c: (c.calibration.n_free, c.held_out_px)))


def _lens_words(calibration: Calibration) -> str:
    model = calibration.model
    terms = ", ".join(name for name in model.free if name[0] in "kp") or "no distortion"
    square = "fx = fy" if model.square_pixels else "fx and fy"
    family = "" if model.family == BROWN else f"{model.family}, "
    return f"{family}{square}, {terms}" + (", principal point held" if model.centred else "")


def _words(
    what: str, candidates: Sequence[Candidate], name: Callable[[Calibration], str]
) -> list[str]:
    if not candidates:
        return []
    chosen, best = simplest(candidates), min(candidates, key=lambda c: c.held_out_px)
    simpler = [c for c in candidates if c.calibration.n_free < chosen.calibration.n_free]
    line = f"{what}: {name(chosen.calibration)}; views left out are predicted to "
    line += f"{chosen.held_out_px:.4f} px RMS"
    if best is not chosen:
        line += f", no worse than the {best.held_out_px:.4f} px of {name(best.calibration)}"
    if simpler:
        near = min(simpler, key=lambda c: c.held_out_px)
        line += f"; {name(near.calibration)} gives {near.held_out_px:.4f} px"
    return [line]
