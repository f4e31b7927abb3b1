"""The answer of fits under light that varies over the face: both branches with its fields."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from bench.imaging.appearance import FREE_LIGHT, edge_strength
from bench.solve.answer import Answer, is_other_branch
from bench.solve.even_light import (
    HOPELESS,
    compare,
    growth_covariance,
    mirrored_fits,
    widened_by_lines,
)
from bench.solve.evidence import evidence_of
from bench.solve.field_amplitude import amplitudes_of
from bench.solve.field_fit import Known, Weighed, continued, fit_fields
from bench.solve.field_lines import field_line_sums
from bench.solve.field_step import roughness, step_fields
from bench.solve.image_fit import (
    ImageFit,
    Scene,
    fit_image,
    imprint_at,
    pose_covariance_of,
)
from bench.solve.imprint import ROUNDS, amounts_of, kinds_left, truncation_covariance
from bench.solve.imprint_score import Shown, kinds_shown, rival_square
from bench.solve.leave_one_out import jackknife
from bench.solve.robust import STRONG, loss
from bench.solve.weights import Weigher
from bench.typing import Array

# How much more than under plain light another branch may trail before it is dropped half way:
# fields of its own would help it.
PATIENCE = 4.0
# Steps that give another branch fields of its own.
STEPS = 4
# Of the median light on the paint, below which a pixel says nothing of reflectance.
DARK = 0.05


def uneven_answer(scene: Scene, first: ImageFit, known: Known, both: bool) -> Answer:
    """Return the answer under fields of light.

    Parameters
    ----------
    scene, first : Scene, ImageFit
        The better branch's fit without them.
    known : Known
        What is known of the picture.
    both : bool
        Whether the other branch is asked even where noise explains all that is left.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        As `bench.solve.field_fit.fit_fields`.
    """
    scene, best, hidden = _with_imprint(scene, fit_fields(scene, first, known), known)
    found = _judged(scene, best, known, hidden)
    if not both and not best.robust:
        return found.answer
    flat, weights = _flattened(scene, best)

    def weigh(_: Array) -> Array:
        return weights

    fit = best.fit
    here = fit_image(flat, fit.pose, fit.blur_px, weigh, steps=1, amounts=fit.amounts)
    others = mirrored_fits(
        flat, weigh, fit.pose, fit.blur_px, here.chi_square, PATIENCE * HOPELESS * found.widened
    )
    if not others or not is_other_branch(fit.pose, others[0].pose):
        return replace(found.answer, asked=True)
    if others[0].lost:
        return replace(found.answer, asked=True)
    second = _with_fields(scene, best, others[0], known)
    delta = (_loss(scene, second, known) - _loss(scene, best, known)) / found.widened
    if delta < 0.0:
        found = _judged(scene, second, known, hidden)
        here, other, delta = others[0], fit.pose, -delta
    else:
        other = second.fit.pose
    modes = compare(delta, here, other, flat, weigh, found.widened)
    return replace(found.answer, other=other, modes=modes, asked=True)


def _with_imprint(scene: Scene, best: Weighed, known: Known) -> tuple[Scene, Weighed, Array]:
    """Return scene and fit with what boundaries share, as `bench.solve.photometric` does."""
    found = _grown(scene, best, known, curved=scene.terms == FREE_LIGHT)
    if "curve" not in found[0].kinds:
        return found
    other = _grown(scene, best, known, curved=False)
    judge = min(found[1], other[1], key=_mismatch)
    costs = [
        _loss(s, replace(judge, step=weighed.step), known) + 2.0 * amounts_of(s.kinds)
        for s, weighed, _ in (found, other)
    ]
    first, second = (found, other) if costs[0] <= costs[1] else (other, found)
    behind = abs(costs[1] - costs[0])
    return *first[:2], first[2] + rival_square(first[1].fit.pose, second[1].fit.pose, behind)


def _grown(
    scene: Scene, best: Weighed, known: Known, *, curved: bool
) -> tuple[Scene, Weighed, Array]:
    for most in ROUNDS:
        shown = _shared_kinds(scene, best, known, most, curved=curved)
        if not shown.kinds:
            break
        scene = replace(scene, kinds=(*scene.kinds, *shown.kinds))
        best = continued(scene, best, known)
    return scene, best, shown.hidden


def _shared_kinds(scene: Scene, best: Weighed, known: Known, most: int, *, curved: bool) -> Shown:
    """Return what a fit shows that boundaries share and it lacks."""
    asked = kinds_left(scene.kinds, curved=curved)
    trust = best.weigh.trust
    assert trust is not None
    fit, weigh = best.fit, Weigher(best.weigh.noise, None, trust)
    # derivatives of the fit's last step serve: they have settled
    plain = best.step.sensitivity
    here = None if scene.kinds else fit.reflectance[: len(plain)]
    columns = imprint_at(scene, asked, fit.pose, fit.blur_px, fit.amounts, plain, here)
    step = step_fields(
        replace(scene, kinds=(*scene.kinds, *asked)), fit, weigh, known.contrast, walk=False,
        sensitivity=np.hstack((plain, columns)),
    )  # fmt: skip
    taken = step.solved.without_light(curved=scene.terms == FREE_LIGHT)[1]
    strength = edge_strength(step.sensitivity, fit.response, fit.pose, scene.camera)
    strong = strength > STRONG * np.max(strength)
    weights, left = weigh(fit.predicted), scene.grey - fit.predicted
    parts, pulls = field_line_sums(known.line, fit, step, taken, weights, left[:, None])
    return kinds_shown(
        parts,
        pulls[:, :, 0],
        asked,
        float(weights[strong] @ left[strong] ** 2),
        float(np.sum(trust[strong])),
        most,
    )


@dataclass(frozen=True, eq=False)
class Judged:
    """An answer, and by how much its variance is larger than noise would make it."""

    answer: Answer
    widened: float


def _judged(scene: Scene, weighed: Weighed, known: Known, hidden: Array) -> Judged:
    """Return what a fit says of its pose, what is `hidden` in it (6, 6) included."""
    fit, weigh, step = weighed.fit, weighed.weigh, weighed.step
    information, taken = step.solved.without_light(curved=scene.terms == FREE_LIGHT)
    covariance = pose_covariance_of(information)
    covariance += truncation_covariance(information, fit.amounts, scene.kinds) + hidden
    z = Weigher(weigh.noise).standardised(scene.grey, fit.predicted)
    trust = weigh.trust
    assert trust is not None
    chi_square = float(trust @ (z * z))
    degrees = max(1.0, float(np.sum(trust)) - weighed.parameters)
    strength = edge_strength(step.sensitivity, fit.response, fit.pose, scene.camera)
    evidence = evidence_of(scene.pixels, scene.grey, fit.predicted, strength, weigh.noise, trust)
    # fields follow light nearly and not quite, which lines show and χ² hardly
    against = np.column_stack((scene.grey - fit.predicted, strength))
    parts, pulls = field_line_sums(known.line, fit, step, taken, weigh(fit.predicted), against)
    apart = jackknife(parts, pulls[:, :, 0])
    off_px = evidence.off_px if weighed.robust else 0.0
    grown = growth_covariance(parts.sum(axis=0), pulls[:, :, 1].sum(axis=0), off_px)
    covariance, widened = widened_by_lines(covariance, apart, chi_square, degrees, grown)
    answer = Answer(
        fit.pose,
        fit.blur_px,
        covariance,
        chi_square,
        degrees,
        evidence,
        " + ".join(("fields", *scene.kinds)),
    )
    return Judged(answer, widened)


def _flattened(scene: Scene, weighed: Weighed) -> tuple[Scene, Array]:
    """Return the picture with light's fields taken off it, and its weights."""
    fit = weighed.fit
    added, light = fit.lights.T
    least = DARK * float(np.median(light))
    safe = np.maximum(light, least)
    grey = (scene.grey - added) / safe
    weights = weighed.weigh(fit.predicted) * safe * safe * (light > least)
    return replace(scene, grey=grey), weights


def _with_fields(scene: Scene, best: Weighed, other: ImageFit, known: Known) -> Weighed:
    """Return another branch's fit with the best one's freedom and weights."""
    blank = np.zeros_like(best.fit.coefficients)
    fit = replace(
        best.fit,
        pose=other.pose,
        blur_px=other.blur_px,
        coefficients=blank,
        amounts=other.amounts,
        reflectance=other.reflectance,
        response=best.fit.lights[:, 1] + 2.0 * best.fit.coefficients[0] * other.reflectance,
    )
    for _ in range(STEPS):
        step = step_fields(scene, fit, best.weigh, known.contrast)
        fit = step.fit
    return replace(best, step=step)


def _mismatch(weighed: Weighed) -> float:
    """Return how large a mismatch a fit's weights allow for; what it leaves least judges best."""
    mismatch = weighed.weigh.mismatch
    return 0.0 if mismatch is None else float(np.mean(mismatch))


def _loss(scene: Scene, weighed: Weighed, known: Known) -> float:
    """Return a branch's loss as a χ², what its fields' roughness costs included."""
    fit = weighed.fit
    z = Weigher(weighed.weigh.noise, weighed.weigh.mismatch).standardised(
        scene.grey, fit.predicted
    )
    return loss(z, weighed.scale) + roughness(fit, amplitudes_of(fit.rungs, known.contrast))
