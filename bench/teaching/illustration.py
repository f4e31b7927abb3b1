"""A scene of the table as a picture with numbers, whatever it is about."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from bench.errors import ConfigError
from bench.scene.model import Bay
from bench.survey.setup import request_of_bay
from bench.survey.statistics import trials_for_misses
from bench.teaching.scenes import SCENES, Scene, good_of
from bench.teaching.slip import registered
from bench.teaching.trials import Illustrated, Rows, illustrate_plan
from bench.teaching.views import stage

# Each takes a dozen pictures or more.
MOST_REGISTRATIONS = 30
# Where a lens's blur isn't Gaussian a picture takes ten times as long; such scenes have a share of
# the pictures, and no fewer than decide where nothing is usable.
SLOW_SHARE, LEAST_SLOW = 0.2, 12


@dataclass(frozen=True)
class Making:
    """What pictures are computed with besides their scenes.

    Attributes
    ----------
    pipeline : str
        Detector/solver.
    trials, seed : int
        Pictures a scene, or registrations, no more than `MOST_REGISTRATIONS` of these; and start
        of all randomness, with each case's key.
    as_drawn : bool
        Whether the bay's imperfections are left out.
    scenes : tuple of Scene
        Among which a scene finds its good view.
    stored : mapping of str to sequence of dict
        Cases that are known already, by `Illustrated.made_of`.
    """

    pipeline: str
    trials: int
    seed: int
    as_drawn: bool = False
    scenes: tuple[Scene, ...] = SCENES
    stored: Mapping[str, Rows] = field(default_factory=dict)


def illustrate(
    bay: Bay, scene: Scene, making: Making, known: dict[str, Illustrated] | None = None
) -> Illustrated:
    """Compute a scene, and the good view of its set that it is compared with.

    Parameters
    ----------
    bay : Bay
        Whose camera, target and towers.
    scene : Scene
        What is shown.
    making : Making
        With what.
    known : dict of str to Illustrated, optional
        Pictures that are there already, by their scenes' content; what is computed is put in.

    Raises
    ------
    ConfigError
        The bay can't show it, or not the good view.
    PlugInError
        The pipeline fails.
    """
    known = {} if known is None else known
    shown = _alone(bay, scene, making, known)
    good = good_of(scene, making.scenes)
    if good is None:
        return shown
    reference = _alone(bay, good, making, known)
    # the good view is judged by what the spoilt one is about
    like = good.model_copy(update={"astray": scene.astray})
    return replace(shown, reference=replace(reference, scene=like))


def _alone(bay: Bay, scene: Scene, making: Making, known: dict[str, Illustrated]) -> Illustrated:
    # sets share their good views
    key = repr(scene.content)
    if key not in known:
        built = not making.as_drawn
        if scene.slip is not None:
            n = min(making.trials, MOST_REGISTRATIONS)
            known[key] = registered(bay, scene, n, making.seed, built, making.stored)
        else:
            n = making.trials
            if scene.motion or scene.f_number is not None:
                n = min(n, max(LEAST_SLOW, round(SLOW_SHARE * n)))
            setting, plan = stage(bay, scene, making.pipeline, n, making.seed, built)
            known[key] = illustrate_plan(bay, setting, plan, scene, making.stored)
    return replace(known[key], scene=scene)


def illustrate_each(
    scenes: tuple[Scene, ...],
    place: Bay,
    making: Making,
    done: Callable[[Illustrated], None],
    moved: Callable[[int, int], None],
) -> list[str]:
    """Compute scenes one by one, hand each over at once, and return why others can't be shown.

    Raises
    ------
    ConfigError
        None can be shown: the first one's reason.
    """
    known: dict[str, Illustrated] = {}
    refused: list[str] = []
    for number, scene in enumerate(scenes, start=1):
        try:
            shown = illustrate(place, scene, making, known)
        except ConfigError as error:
            refused.append(str(error))
        else:
            done(shown)
        moved(number, len(scenes))
    if len(refused) == len(scenes):
        raise ConfigError(refused[0])
    return refused


def too_few(bay: Bay, trials: int) -> str | None:
    """Warn of so few pictures that no rate could be shown, however good."""
    asked = request_of_bay(bay)
    least = trials_for_misses(0, asked.success, asked.confidence)
    if trials >= least:
        return None
    return (
        f"{trials} pictures can show no view to be good: {least} without a miss are the fewest "
        f"that show {100 * asked.success:g} % at {100 * asked.confidence:g} % confidence."
    )
