"""A scene of the table as a picture with numbers, whatever it is about."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from bench.errors import ConfigError
from bench.processes import pooled, process_pool
from bench.scene.model import Bay
from bench.survey.setup import request_of_bay
from bench.survey.statistics import trials_for_misses
from bench.teaching.scenes import SCENES, Scene, good_of
from bench.teaching.slip import registered
from bench.teaching.trials import Illustrated, Rows, illustrate_plan
from bench.teaching.views import stage

# Each takes two dozen pictures and a fit, two seconds of work.
MOST_REGISTRATIONS = 6
LEAST_SHARE = 4  # scenes for which starting a process is worth its two seconds
# Where a lens's blur isn't Gaussian a picture takes ten times as long; such scenes have a share of
# the pictures, and no fewer than decide where nothing is usable.
SLOW_SHARE, LEAST_SLOW = 0.2, 12


Known = dict[str, Illustrated | ConfigError]


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


def illustrate(bay: Bay, scene: Scene, making: Making, known: Known | None = None) -> Illustrated:
    """Compute a scene, and the good view of its set that it is compared with.

    Parameters
    ----------
    bay : Bay
        Whose camera, target and towers.
    scene : Scene
        What is shown.
    making : Making
        With what.
    known : dict of str to Illustrated or ConfigError, optional
        Pictures that are there already, or why not, by their scenes' content; what is computed
        is put in.

    Raises
    ------
    ConfigError
        The bay can't show it, or not the good view.
    PlugInError
        The pipeline fails.
    """
    known = {} if known is None else known
    for one in _needed(scene, making):
        if _key(one) not in known:
            known[_key(one)] = _alone(bay, one, making)
    found = [known[_key(one)] for one in _needed(scene, making)]
    for why in found:
        if isinstance(why, ConfigError):
            raise why
    *good, shown = (x for x in found if isinstance(x, Illustrated))
    shown = replace(shown, scene=scene)
    if not good:
        return shown
    # the good view is judged by what the spoilt one is about
    like = _needed(scene, making)[0].model_copy(update={"astray": scene.astray})
    return replace(shown, reference=replace(good[0], scene=like))


def _needed(scene: Scene, making: Making) -> list[Scene]:
    """Return the scenes that a picture is made of, its own last."""
    good = good_of(scene, making.scenes)
    return [scene] if good is None else [good, scene]


def _key(scene: Scene) -> str:
    return repr(scene.content)  # sets share their good views


def _alone(bay: Bay, scene: Scene, making: Making) -> Illustrated | ConfigError:
    built = not making.as_drawn
    try:
        if scene.slip is not None:
            n = min(making.trials, MOST_REGISTRATIONS)
            return registered(bay, scene, n, making.seed, built, making.stored)
        n = making.trials
        if scene.motion or scene.f_number is not None:
            n = min(n, max(LEAST_SLOW, round(SLOW_SHARE * n)))
        setting, plan = stage(bay, scene, making.pipeline, n, making.seed, built)
        return illustrate_plan(bay, setting, plan, scene, making.stored)
    except ConfigError as error:
        return error


def illustrate_each(
    scenes: tuple[Scene, ...],
    place: Bay,
    making: Making,
    done: Callable[[Illustrated], None],
    moved: Callable[[int, int], None],
    workers: int = 1,
) -> list[str]:
    """Compute scenes, hand each over in order as soon as it is there; return why others can't be.

    `workers` processes compute, or this one.

    Raises
    ------
    ConfigError
        None can be shown: the first one's reason.
    """
    known: Known = {}
    refused: list[str] = []
    wanted = {_key(one): one for scene in scenes for one in _needed(scene, making)}
    waiting = list(scenes)
    with _computed(list(wanted.values()), place, making, workers) as found:
        for key, one in found:
            known[key] = one
            while waiting and all(_key(x) in known for x in _needed(waiting[0], making)):
                try:
                    shown = illustrate(place, waiting[0], making, known)
                except ConfigError as error:
                    refused.append(str(error))
                else:
                    done(shown)
                waiting.pop(0)
                moved(len(scenes) - len(waiting), len(scenes))
    if len(refused) == len(scenes):
        raise ConfigError(refused[0])
    return refused


@contextmanager
def _computed(
    scenes: Sequence[Scene], bay: Bay, making: Making, workers: int
) -> Iterator[Iterator[tuple[str, Illustrated | ConfigError]]]:
    """Compute scenes as they are asked for, or by processes, which give them in any order."""
    workers = min(workers, len(scenes) // LEAST_SHARE)
    if workers < 2:
        yield ((_key(one), _alone(bay, one, making)) for one in scenes)
        return
    with process_pool(workers, _start, bay, making) as pool:
        yield pooled(pool, workers, _work, scenes, lambda: False)


def _start(bay: Bay, making: Making) -> None:
    _WORK.append((bay, making))


def _work(scene: Scene) -> tuple[str, Illustrated | ConfigError]:
    return _key(scene), _alone(_WORK[0][0], scene, _WORK[0][1])


_WORK: list[tuple[Bay, Making]] = []  # what a process of its own computes with


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
