"""A scene of the table as a picture with numbers, whatever it is about."""

from __future__ import annotations

from bench.guide.illustrate_run import Illustrated, illustrate_plan
from bench.guide.illustrate_scenes import Scene
from bench.guide.illustrate_slip import registered
from bench.guide.illustrate_views import stage
from bench.scene.model import Bay


def illustrate(bay: Bay, scene: Scene, pipeline: str, trials: int, seed: int) -> Illustrated:
    """Compute a scene.

    Parameters
    ----------
    bay : Bay
        Whose camera, target and towers.
    scene : Scene
        What is shown.
    pipeline : str
        Detector/solver.
    trials : int
        Pictures, or registrations.
    seed : int
        Of all randomness, with each case's key.

    Raises
    ------
    ConfigError
        The bay can't show it.
    PlugInError
        The pipeline fails.
    """
    if scene.slip_deg is not None:
        return registered(bay, scene, pipeline, trials, seed)
    setting, plan = stage(bay, scene, pipeline, trials, seed)
    return illustrate_plan(bay, setting, plan, scene=scene, known=bay.target)
