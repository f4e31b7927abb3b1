"""Results of the aim check and of siting, in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bench.scene.wheel_ids import id_words
from bench.sighting.prediction import COVERAGE
from bench.sighting.sighting import Sighting
from bench.siting.aim import Aim
from bench.siting.files import mount_rows
from bench.siting.limits import Gain, Limit
from bench.siting.search import Siting, evaluate
from bench.siting.tower_layout import layout_of
from bench.units import format_angle, format_length

# Layouts whose worst uncertainties differ by less are alike: a tenth of it is a third of what a
# calibration or a flatter plate changes.
HARDLY = 0.1


def aim_words(aim: Aim) -> list[str]:
    """Return what the aim check finds, a line each."""
    count, tight, worst = len(aim.sightings), aim.tightest, aim.worst
    share = worst.prediction.share(aim.bay.tolerance)
    decision = worst.prediction.decision(aim.bay.tolerance)
    lines = [
        f"Least margin: {tight.margin:.2f} plate widths of {aim.bay.siting.margin:g}, "
        f"{tight.tower} tower, {tight.name}, at the picture's {tight.edge} edge.",
        f"Largest uncertainty: {decision.state} tolerance, {share:.2f} of it"
        f"{decision.chance_words}, {worst.tower} tower, "
        f"{worst.name} (expanded, k = {COVERAGE:g}; {aim.predictor.basis}).",
        f"Decision rule: {decision.rule_words}.",
    ]
    lines += _beyond(aim.sightings)
    lines.append(id_words(aim.bay))
    if not aim.failures:
        return [*lines, f"All {count} targets hold."]
    failing = len({words.partition(":")[0] for words in aim.failures})
    return [*lines, f"{failing} of {count} targets fail:", *(f"  {w}" for w in aim.failures)]


def _beyond(sightings: Sequence[Sighting]) -> list[str]:
    beyond = sum(not one.prediction.measured for one in sightings)
    if not beyond:
        return []
    return [
        f"{beyond} of {len(sightings)} targets lie outside the map's grid; the nearest cell's "
        "ratio was taken."
    ]


def siting_words(
    siting: Siting, limits: tuple[Limit, ...], gains: tuple[Gain, ...], evaluated: bool
) -> list[str]:
    """Return what siting finds, a line each; `evaluated` where it judged the bay as it is."""
    return [*_found(siting, limits, gains, evaluated), *_beyond(siting.sightings)]


def _found(
    siting: Siting, limits: tuple[Limit, ...], gains: tuple[Gain, ...], evaluated: bool
) -> list[str]:
    if evaluated:
        return [_verdict(siting, "This layout"), *_broken(siting)]
    if not siting.chosen.best.feasible:
        binding = "; ".join(siting.chosen.binding())
        tried = ", ".join(one.lens for one in siting.lenses)
        return [
            f"No feasible layout with {tried}; nearest with {siting.chosen.lens}, where "
            f"{binding}.",
            *_nearest_way(siting),
        ]
    layout, own = siting.layout, evaluate_own(siting)
    lines = [
        f"Layout: spacing {_both(layout.spacing)}, height {_both(layout.height)}, standoff "
        f"{_both(layout.standoff)}, yaw {format_angle(layout.yaw)} inward, pitch "
        f"{format_angle(layout.pitch)}, lens {siting.chosen.lens}.",
        *_mounts(siting),
        _verdict(siting, "It"),
        *_broken(siting),
        _verdict(own, f"Instead of {_own(siting)}: that"),
        *_hardly(siting, own),
        *(_lens(siting, i) for i in range(len(siting.lenses)) if len(siting.lenses) > 1),
        f"{siting.chosen.agree} of {len(siting.chosen.starts)} starts with {siting.chosen.lens} "
        "came to within 1 % of the best.",
    ]
    share = siting.chosen.best.share
    lines += [f"Limited by {limit.words(share)}." for limit in limits]
    if not limits:
        lines.append("Nothing limits it: uncertainties of several targets balance.")
    return lines + [f"With {gain.words(share)}." for gain in gains]


def _hardly(siting: Siting, own: Siting) -> list[str]:
    """Say where another layout hardly changes the whole, and by what one was taken."""
    if not (own.share < math.inf and siting.share > own.share * (1.0 - HARDLY)):
        return []
    settings = {(row["turn_deg"], row["pitch_deg"]) for row in mount_rows(siting)}
    count = "one setting" if len(settings) == 1 else f"{len(settings)} settings"
    kept = "" if own.feasible else "; but it keeps all constraints, which that one doesn't"
    return [
        f"The layout hardly changes the whole, {siting.share:.2f} of the tolerance against "
        f"{own.share:.2f}{kept}. Of those nearly as good this has most room to every limit and "
        f"fewest settings of holders to get wrong: {count}."
    ]


def _nearest_way(siting: Siting) -> list[str]:
    """Say what would show targets that bodies hide, where those were looked at."""
    if not any(constraint.name == "visible" for constraint in siting.broken):
        return []
    # its geometry library takes a while to load
    from bench.siting.outboard import outboard_words

    return outboard_words(siting.bay)


def evaluate_own(siting: Siting) -> Siting:
    """Return the bay's own layout, judged as the one found."""
    visible = not math.isnan(siting.sightings[0].visible)
    return evaluate(siting.asked, siting.predictor, visible)


def _verdict(siting: Siting, what: str) -> str:
    worst = max(siting.sightings, key=lambda one: one.prediction.share(siting.bay.tolerance))
    decision = worst.prediction.decision(siting.bay.tolerance)
    kept = "keeps all constraints" if siting.feasible else "breaks constraints"
    return (
        f"{what} {kept}; its worst uncertainty is {decision.state} tolerance, "
        f"{siting.share:.3f} of it{decision.chance_words} "
        f"({worst.tower} tower, {worst.name}; expanded, k = {COVERAGE:g}; "
        f"{siting.predictor.basis})."
    )


def _broken(siting: Siting) -> list[str]:
    return [f"  broken: {constraint.words()}" for constraint in siting.broken]


def _own(siting: Siting) -> str:
    own = layout_of(siting.asked)
    return (
        f"the bay file's {format_length(own.spacing)}, {format_length(own.height)}, "
        f"{format_length(own.standoff)}, {format_angle(own.yaw)}, {format_angle(own.pitch)}"
    )


def _lens(siting: Siting, index: int) -> str:
    one = siting.lenses[index]
    if not one.best.feasible:
        return f"  {one.lens}: not feasible; {'; '.join(one.binding())}."
    ratio = one.best.share / siting.chosen.best.share
    against = "" if one is siting.chosen else f", {ratio:.2f} times that of {siting.chosen.lens}"
    return f"  {one.lens}: feasible{against}; {one.agree} of {len(one.starts)} starts agree."


def _mounts(siting: Siting) -> list[str]:
    """Say how holders are set, where there is a choice."""
    if all(len(settings) == 1 for settings in siting.chosen.problem.settings):
        return []
    settings: dict[tuple[float, float], list[str]] = {}
    for row in mount_rows(siting):
        settings.setdefault((row["turn_deg"], row["pitch_deg"]), []).append(
            f"{row['vehicle']} {row['axle']}"
        )
    return [
        f"Holders at turn {turn:g} deg, pitch {pitch:g} deg: {', '.join(names)}."
        for (turn, pitch), names in sorted(settings.items())
    ]


def _both(metres: float) -> str:
    return f"{format_length(metres)} ({format_length(metres, 'ft-in')})"
