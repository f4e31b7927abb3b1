"""A scene of the table as a picture with numbers, whatever it is about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bench.errors import ConfigError
from bench.scene.model import Bay
from bench.teaching.scenes import REFERENCES, Scene, reference_of
from bench.teaching.sidecar import Making
from bench.teaching.slip import registered
from bench.teaching.trials import Illustrated, illustrate_plan
from bench.teaching.views import stage

# Each takes a dozen pictures or more.
MOST_REGISTRATIONS = 40


def illustrate(
    bay: Bay,
    scene: Scene,
    pipeline: str,
    trials: int,
    seed: int,
    references: dict[str, Illustrated | None] | None = None,
    as_built: bool = True,
) -> Illustrated:
    """Compute a scene, and the one of its set that it is compared with.

    Parameters
    ----------
    bay : Bay
        Whose camera, target and towers.
    scene : Scene
        What is shown.
    pipeline : str
        Detector/solver.
    trials : int
        Pictures, or registrations: no more than `MOST_REGISTRATIONS` of these.
    seed : int
        Of all randomness, with each case's key.
    references : dict of str to Illustrated or None, optional
        Of each set, as far as they are computed, None where the bay can't show it; what is
        missing is computed and put in.
    as_built : bool
        Whether pictures have the bay's imperfections. Registrations are of noise alone.

    Raises
    ------
    ConfigError
        The bay can't show it.
    PlugInError
        The pipeline fails.
    """
    known = {} if references is None else references
    ready = known.get(scene.set)
    if ready is not None and ready.scene == scene:
        return ready
    shown = _alone(bay, scene, pipeline, trials, seed, as_built)
    reference = reference_of(scene)
    if reference is None:
        if scene.set in REFERENCES:
            known[scene.set] = shown
        return shown
    if scene.set not in known:
        try:
            known[scene.set] = _alone(bay, reference, pipeline, trials, seed, as_built)
        except ConfigError:
            known[scene.set] = None  # this bay can't show it
    return replace(shown, reference=known[scene.set])


def _alone(
    bay: Bay, scene: Scene, pipeline: str, trials: int, seed: int, as_built: bool
) -> Illustrated:
    if scene.slip_deg is not None:
        return registered(bay, scene, pipeline, min(trials, MOST_REGISTRATIONS), seed)
    setting, plan = stage(bay, scene, pipeline, trials, seed, as_built)
    return illustrate_plan(bay, setting, plan, scene=scene, known=bay.target)


def illustrate_all(
    scenes: tuple[Scene, ...],
    frames: tuple[Scene, ...],
    place: Bay,
    making: Making,
    moved: Callable[[int, int], None],
) -> tuple[list[Illustrated], list[Illustrated], list[str]]:
    """Return the scenes' pictures, the sweep's, and why others can't be shown in this bay.

    Raises
    ------
    ConfigError
        None can be shown: the first one's reason.
    """
    references: dict[str, Illustrated | None] = {}
    found: dict[str, Illustrated] = {}
    refused: list[str] = []
    for done, scene in enumerate((*scenes, *frames), start=1):
        try:
            found[scene.key] = illustrate(
                place,
                scene,
                making.pipeline,
                making.trials,
                making.seed,
                references,
                as_built=not making.as_drawn,
            )
        except ConfigError as error:
            refused.append(str(error))
        moved(done, len(scenes) + len(frames))
    if not found:
        raise ConfigError(refused[0])
    pictures, film = ([found[s.key] for s in part if s.key in found] for part in (scenes, frames))
    return pictures, film, refused
