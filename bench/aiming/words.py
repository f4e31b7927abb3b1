"""Advice on a tower's aim in words and arrows."""

from __future__ import annotations

import math

from bench.aiming.advice import Advice, Missing, least_room
from bench.scene.wheel_ids import cannot_tell, swap_words
from bench.setting_out.off_plan import WAYS, lean_words
from bench.units import format_angle

LEFT, RIGHT, UP, DOWN = "←", "→", "↑", "↓"
# A picture darker or lighter on average shows no target, a fraction of full scale; our own.
DARK, LIGHT = 0.03, 0.95
# Ranges that differ more from the plan are another vehicle's, or it stands elsewhere, metres.
ELSEWHERE = 0.15


def angle_words(radians: float) -> str:
    """Return an angle as a hand can set it: a tenth of a degree, below one a hundredth."""
    degrees = abs(math.degrees(radians))
    return f"{degrees:.1f} deg" if degrees >= 1.0 else f"{degrees:.2f} deg"


def moves(advice: Advice) -> list[tuple[str, str]]:
    """Return an arrow and words for each move that is worth it."""
    found = []
    for name, verb, value, arrows in (
        ("yaw", "turn it", advice.turn, (LEFT, RIGHT)),
        ("pitch", "tip it", advice.tip, (UP, DOWN)),
    ):
        if abs(value) > advice.stop:
            way = 0 if value > 0.0 else 1
            found.append((arrows[way], f"{verb} {angle_words(value)} {WAYS[name][way]}"))
    return found


def headline(advice: Advice) -> str:
    """Return the advice in one sentence."""
    match advice.state:
        case "nothing":
            return nothing_words(advice)
        case "turn":
            words = ", ".join(words for _, words in moves(advice))
            return f"The {advice.tower.name} tower: {words}; {_gain(advice)}."
        case "inside":
            return (
                f"Stop: the {advice.tower.name} tower is within {format_angle(advice.stop)} of "
                f"its plan; {_has(advice)}."
            )
        case _:
            return (
                f"Stop turning: the {advice.tower.name} tower is within "
                f"{format_angle(advice.stop)} of its plan, but {_fault(advice)}."
            )


def _fault(advice: Advice) -> str:
    if advice.swapped:
        return "targets hang on the wrong wheels"
    if advice.search.twice:
        return "two targets carry the same marker"
    if advice.missing:
        names = ", ".join(one.now.wheel.name for one in advice.missing)
        return f"{names} {'is' if len(advice.missing) == 1 else 'are'} missing"
    if advice.leans:
        return "it leans"
    return "targets lack room"


def _gain(advice: Advice) -> str:
    return f"{_which(advice, 'then ')} {_plates(least_room(advice.then))}"


def _has(advice: Advice) -> str:
    return f"{_which(advice)} {_plates(least_room(advice.then))}"


def _which(advice: Advice, then: str = "") -> str:
    count = len(advice.then)
    if count == 1:
        return f"its target {then}has"
    return f"{'both' if count == 2 else f'all {count}'} targets {then}have"


def _plates(room: float) -> str:
    """Return room to the picture's edge in words: plates are what an eye measures with."""
    if not math.isfinite(room):
        return "no image"
    if room < 0.0:
        return f"less than no room: {abs(room):.1f} plates are beyond the picture's edge"
    near = "one plate" if abs(room - 1.0) < 0.05 else f"{room:.1f} plates"
    return f"{near} of room"


def nothing_words(advice: Advice) -> str:
    """Say why a picture gives no advice."""
    if advice.search.foreign:
        listed = ", ".join(map(str, advice.search.foreign))
        return f"No wheel's target is in the picture, only marker {listed}."
    share = f"{100.0 * advice.grey:.0f} % of full scale"
    if advice.grey < DARK:
        return f"No target is in the picture; it is dark, {share}."
    if advice.grey > LIGHT:
        return f"No target is in the picture; it is washed out, {share}."
    return "No target is in the picture: turn the tower until one is, or light them."


def advice_words(advice: Advice) -> list[str]:
    """Return the advice, a line each: what to do first."""
    lines = [headline(advice)]
    lines += [f"  {arrow} {words}" for arrow, words in moves(advice)]
    if advice.placing is None:
        return lines
    lines += swap_words(advice.bay, advice.swapped)
    lines += [f"Marker {one} is in the picture twice." for one in advice.search.twice]
    lines += [missing_words(one) for one in advice.missing]
    lines += [
        f"{one.wheel.name}: {_plates(one.room)} once it is turned, "
        f"{advice.bay.siting.margin:g} is asked for, at the {one.edge} edge."
        for one in advice.short
    ]
    lines += lean_lines(advice)
    if advice.state == "turn" and least_room(advice.now) >= advice.bay.siting.margin:
        lines.append(
            "All its targets have the room that is asked for already; the rest is for other "
            "vehicles and what was planned."
        )
    lines += _basis(advice)
    unknown = cannot_tell(advice.bay)
    return [*lines, unknown] if unknown else lines


def missing_words(one: Missing) -> str:
    """Say where a target that wasn't found should be."""
    now, then = one.now, one.then
    if one.is_in_picture:
        across, down = (100.0 * share for share in now.place)
        by = one.sight.hidden_words
        return (
            f"{now.wheel.name} is missing: it should be {across:.0f} % across and {down:.0f} % "
            "down; it is hidden, unlit, or not hung"
            f"{f', as the bay file has things {by}' if by else ''}."
        )
    if then.imaged and then.margin_px >= 0.0:
        where = f"beyond the picture's {now.edge} edge" if now.imaged else "out of the picture"
        return f"{now.wheel.name} is {where}; it comes in as the tower is turned."
    return f"{now.wheel.name} is out of the picture, and is not in it as planned."


def lean_lines(advice: Advice) -> list[str]:
    """Say what a lean costs, and the shim that mends it."""
    if advice.lean is None:
        count = 0 if advice.placing is None else len(advice.placing.pairs)
        if count > 1:
            return [
                "Its plates don't hang alike, so that they don't tell whether the tower leans."
            ]
        return ["One target doesn't tell whether the tower leans: show it two."]
    if not advice.leans:
        return []
    cost = least_room(advice.level) - least_room(advice.then)
    costs = f"costs {cost:.2f} plates of room" if cost >= 0.005 else "costs no room"
    column = advice.bay.surroundings.column
    return [
        f"The lean below {costs}, and is taken from how the plates look: check that they hang "
        "upright, and that the camera sits straight on its column.",
        f"{lean_words(advice.tower, column, 0.0, advice.lean)} Mend that first, then aim again.",
    ]


def _basis(advice: Advice) -> list[str]:
    placing = advice.placing
    assert placing is not None
    named = ", ".join(
        wheel.name + ("" if one.marker is None else f" (id {one.marker})")
        for one, wheel in placing.pairs
    )
    nearest = min(advice.now, key=lambda one: one.range)
    # a vehicle that stands aside moves its nearest target by so much of the picture
    aside = math.degrees(0.01 / nearest.range)
    lines = [
        f"Seen: {named}, taken for the {placing.vehicle} at {placing.station} as planned; "
        f"{advice.rmse_px:.1f} px are left. A vehicle that stands 10 mm aside is "
        f"{aside:.2f} deg of turn."
    ]
    if placing.range_off > ELSEWHERE:
        lines.append(
            f"Ranges are {placing.range_off:.2f} m off the plan's: another vehicle, or not at "
            "its stop. --vehicle and --station name it."
        )
    worst = advice.worst
    if worst is not None and worst.room < advice.bay.siting.margin - 1e-6:
        lines.append(
            f"As planned {worst.name} has {worst.room:.2f} plates of room; "
            f"{advice.bay.siting.margin:g} is asked for."
        )
    return lines
