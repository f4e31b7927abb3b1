"""The place that states are tried out in: a bay's towers, targets and pipelines."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import chain
from threading import Lock
from typing import Any

from bench.built.draws import Sizes
from bench.built.sizes import sizes_of
from bench.choice.candidates import DEFAULT_SPECS, OWN
from bench.errors import BenchError, PlugInError
from bench.explore.bay_state import MovableBay
from bench.explore.controls import ALONE, AS_BUILT, BAYS, CONTROL
from bench.explore.scaling import scaled
from bench.explore.state import Problem, State, StateError
from bench.imaging.illumination import Highlight, Illumination
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.plugins import DETECTORS, SOLVERS, available
from bench.scene.model import Bay, Tower
from bench.sighting.map_ratio import MapRatio
from bench.solve.default_pipeline import detector_of
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.survey.plan import Plan, grid_tilt_deg, nominal, number
from bench.survey.setting import Setting, check_plan, shortest_range
from bench.survey.setup import axle_ranges, find_tower
from bench.survey.worker import Job
from bench.targets.design import build_target
from bench.targets.fill import Plate, design_on_plate
from bench.targets.target import Target

TRIALS = 200
DEFAULT_TURN_DEG = 40.0  # square on, a plate tells its tilt badly
MAX_TILT_DEG = 85.0
# Width of a plate, px, whose picture through diffraction and defocus takes some seconds.
MOST_WIDE_PX = 700.0


@dataclass(eq=False)
class Place:
    """A bay with its choices; targets and pipelines are made once and kept.

    Attributes
    ----------
    bay : Bay
        The bay.
    trials : int
        Pictures of a run.
    surveyed : dict of str to MapRatio
        What a finished map measured, by pipeline.
    """

    bay: Bay
    trials: int = TRIALS
    surveyed: dict[str, MapRatio] = field(default_factory=dict)
    _targets: dict[tuple[str, float], Target] = field(default_factory=dict)
    _sizes: dict[str, Sizes] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    @property
    def towers(self) -> tuple[str, ...]:
        """Names of the towers."""
        return tuple(tower.name for tower in self.bay.towers)

    @cached_property
    def movable(self) -> MovableBay:
        """The bay as its own page moves it."""
        return MovableBay(self.bay)

    @cached_property
    def targets(self) -> dict[str, str]:
        """What each target is called on the page, by its name in a permalink."""
        own_mm = 1e3 * self.bay.target.drawing.width
        names = {OWN: f"bay: {self.bay.target.name}"}
        for spec in DEFAULT_SPECS:
            try:
                self.target(spec, own_mm)
            except BenchError:
                continue  # its drawing doesn't fit a plate of this shape
            names[spec] = spec.replace(":", " ")
        return names

    @cached_property
    def pipelines(self) -> dict[str, Pipeline]:
        """Every pipeline of installed detectors and solvers that can be made, by name."""
        found = {}
        for detector in available(DETECTORS):
            for solver in available(SOLVERS):
                try:
                    found[f"{detector}/{solver}"] = pipeline_from_name(f"{detector}/{solver}")
                except PlugInError:
                    continue  # somebody's plug-in is broken; the others work
        return found

    @cached_property
    def rivals(self) -> dict[str, dict[str, str]]:
        """What a view can be compared with: names by group and value; see `comparison`."""
        towers = {f"tower:{name}": f"camera of the {name} tower" for name in self.towers}
        targets = {f"target:{name}": words for name, words in self.targets.items()}
        pipelines = {f"pipeline:{name}": name for name in self.pipelines}
        return {"Camera": towers, "Target": targets, "Pipeline": pipelines}

    def able(self, target_name: str) -> tuple[str, ...]:
        """Return the pipelines that can look for a target, those of its best detector first."""
        target = self.target(target_name, 1e3 * self.bay.target.drawing.width)
        best = detector_of(target)
        found = [name for name, one in self.pipelines.items() if one.refusal(target) is None]
        return tuple(sorted(found, key=lambda name: name.split("/")[0] != best))

    def target(self, name: str, plate_mm: float) -> Target:
        """Return a target on a plate so wide.

        Raises
        ------
        TargetError
            Its drawing doesn't fit the plate.
        """
        key = (name, plate_mm)
        with self._lock:
            if key not in self._targets:
                if len(self._targets) > 64:
                    self._targets.clear()
                self._targets[key] = self._made(name, plate_mm)
            return self._targets[key]

    def _made(self, name: str, plate_mm: float) -> Target:
        own = self.bay.target
        factor = 1e-3 * plate_mm / own.drawing.width
        if name == OWN:
            return scaled(own, factor)
        plate = Plate.of(own)
        plate = replace(plate, width=factor * plate.width, height=factor * plate.height)
        return build_target(design_on_plate(name, plate))

    def tower(self, state: State) -> Tower:
        """Return the state's tower."""
        return find_tower(self.bay, state.tower)

    def sizes(self, tower: Tower) -> Sizes:
        """Return what pictures as built of a tower's camera are drawn from."""
        with self._lock:
            if tower.name not in self._sizes:
                self._sizes[tower.name] = sizes_of(self.bay, tower)
            return self._sizes[tower.name]

    @cached_property
    def default(self) -> State:
        """The state that the page starts with: the bay as it is, a target at middle range."""
        tower = self.bay.towers[0]
        ranges = [range_m for _, range_m in axle_ranges(self.bay, tower.name)]
        ranges = ranges or list(self.bay.survey.ranges_m)
        dirt = self.bay.imperfections
        able = self.able(OWN)
        own = [name for name in self.bay.survey.pipelines if name in able]
        return State(
            tower=tower.name,
            target=OWN,
            pipeline=(own or list(able))[0],
            bay=AS_BUILT,
            range_m=round(ranges[len(ranges) // 2], 2),
            turn_deg=DEFAULT_TURN_DEG,
            pitch_deg=0.0,
            roll_deg=0.0,
            roll_spread_deg=self.bay.survey.roll_deg,
            seed=float(min(self.bay.survey.seed, int(CONTROL["seed"].high))),
            plate_mm=1e3 * self.bay.target.drawing.width,
            dirt=dirt.dirt,
            dirt_depth=100.0 * dirt.dirt_depth,
            **self.own(tower.name),
        )

    def own(self, tower_name: str) -> dict[str, Any]:
        """Return the values that a tower's own camera and light give to controls."""
        tower = find_tower(self.bay, tower_name)
        camera, imaging = tower.camera, tower.imaging
        optics, light, sensor = imaging.optics, imaging.illumination, imaging.sensor
        lamp = light.highlight or Highlight(0.0, 0.0, self.bay.imperfections.reflection_size, 0.0)
        own = {
            "across": (camera.cx + 0.5) / camera.width,
            "down": (camera.cy + 0.5) / camera.height,
            "light": light.level,
            "brighter_right": 100.0 * light.gradient[0],
            "brighter_down": 100.0 * light.gradient[1],
            "reflection": lamp.level,
            "reflection_right_mm": 1e3 * lamp.x,
            "reflection_up_mm": 1e3 * lamp.y,
            "reflection_size_mm": 1e3 * lamp.sigma,
            "blur_px": optics.sigma_px,
            "f_number": optics.f_number or 0.0,
            "focus_m": optics.focus_distance or 0.0,
            "motion_right_px": optics.motion_px[0],
            "motion_down_px": optics.motion_px[1],
            "dark_noise_e": sensor.dark_noise,
            "full_well_e": sensor.full_well,
        }
        return {name: nominal(value) for name, value in own.items()}


def imaging_of(imaging: Imaging, state: State) -> Imaging:
    """Return a tower's imaging as a state has it; what no control changes stays."""
    # a gain of None scales with the full well; one that is given is the camera's own
    optics = Optics(
        sigma_px=state.blur_px,
        f_number=state.f_number or None,
        wavelength=imaging.optics.wavelength,
        focus_distance=state.focus_m or None,
        motion_px=(state.motion_right_px, state.motion_down_px),
        field_sigma_px=imaging.optics.field_sigma_px if state.blur_px > 0.0 else 0.0,
    )
    light = Illumination(
        level=state.light,
        gradient=(0.01 * state.brighter_right, 0.01 * state.brighter_down),
        highlight=_highlight(state),
    )
    sensor = replace(imaging.sensor, dark_noise=state.dark_noise_e, full_well=state.full_well_e)
    return Imaging(optics, light, sensor)


def _highlight(state: State) -> Highlight | None:
    if state.reflection == 0.0:
        return None
    x, y = 1e-3 * state.reflection_right_mm, 1e-3 * state.reflection_up_mm
    return Highlight(x, y, 1e-3 * state.reflection_size_mm, state.reflection)


def _soiled(sizes: Sizes, state: State) -> Sizes:
    """Return a bay's sizes with a state's dirt; a reflection that is set leaves none to chance."""
    more = sizes.imperfections
    own = replace(
        more,
        dirt=state.dirt,
        dirt_depth=0.01 * state.dirt_depth,
        reflection_share=0.0 if state.reflection else more.reflection_share,
    )
    return sizes if own == more else replace(sizes, imperfections=own)


def job_of(state: State, place: Place) -> Job:
    """Return the survey of one cell whose first trial is the picture shown.

    Within the cell nothing varies but the noise, the sub-pixel place and, as built, the bay.

    Raises
    ------
    StateError
        Names the control, its value and what would be taken.
    """
    _check_choices(state, place)
    if state.focus_m and not state.f_number:
        raise _problem("focus_m", "Focused at needs an f-number: set that first, or 0 here.")
    tilt = grid_tilt_deg(state.turn_deg, state.pitch_deg)
    if tilt > MAX_TILT_DEG:
        raise _problem(
            "pitch_deg",
            f"Turn and pitch together tilt the target by {tilt:.1f} deg; "
            f"at most {MAX_TILT_DEG:g} deg is shown.",
        )
    tower = place.tower(state)
    try:
        target = place.target(state.target, state.plate_mm)
    except BenchError as error:
        raise _problem("plate_mm", _sentence("Plate width", error)) from error
    reason = place.pipelines[state.pipeline].refusal(target)
    if reason is not None:
        raise _problem("pipeline", f"{reason[:1].upper()}{reason[1:]}.")
    try:
        built = _soiled(place.sizes(tower), state) if state.bay == AS_BUILT else None
        setting = Setting(tower.camera, imaging_of(tower.imaging, state), target, built)
        plan = Plan(
            ranges_m=(state.range_m,),
            turns_deg=(state.turn_deg,),
            pitches_deg=(state.pitch_deg,),
            pipelines=(state.pipeline,),
            trials=place.trials,
            seed=int(state.seed),
            positions=((state.across, state.down),),
            roll_deg=state.roll_deg,
            roll_spread_deg=0.0,
            tilt_spread_deg=0.0,
            range_spread=0.0,
            tower=tower.name,
        )
        limit, why = shortest_range(plan, setting)
        if state.range_m <= limit:
            least = math.ceil(limit * 1000) / 1000
            raise _problem(
                "range_m",
                f"Range is {number(state.range_m)} m; {why}. It must be above {least:g} m "
                "for this camera and target.",
            )
        check_plan(plan, setting)
        _check_time(state, setting)
    except StateError:
        raise
    except BenchError as error:
        raise _problem("", _sentence("These settings don't go together", error)) from error
    return Job(plan, setting)


def _check_time(state: State, setting: Setting) -> None:
    """Refuse what would hold up everybody: a large picture through a lens that isn't Gaussian."""
    least = setting.camera.fx * setting.target.drawing.width / MOST_WIDE_PX
    if not setting.imaging.optics.is_gaussian and state.range_m < least:
        what = "an f-number" if state.f_number else "motion"
        raise _problem(
            "range_m",
            f"Range is {number(state.range_m)} m; so near, a picture with {what} may take half a "
            f"minute. It must be above {math.ceil(100 * least) / 100:g} m.",
        )


def run_job_of(state: State, place: Place) -> Job:
    """Return the survey of one cell that a run of pictures is: rolls are spread as in a map.

    Raises
    ------
    StateError
        As `job_of`.
    """
    job = job_of(state, place)
    return Job(replace(job.plan, roll_spread_deg=state.roll_spread_deg), job.setting)


def with_digests(job: Job) -> Job:
    """Return a job whose plan names what its pictures are made from."""
    digests: dict[str, Any] = job.setting.digests()
    return Job(replace(job.plan, **digests), job.setting)


def known_choices(state: State, place: Place) -> tuple[State, tuple[Problem, ...]]:
    """Return a state with the bay's own in place of choices that aren't here, and what they are.

    A permalink from another machine may name a pipeline that isn't installed.
    """
    problems = []
    while True:
        try:
            _check_choices(state, place)
        except StateError as error:
            (problem,) = error.problems
            problems.append(problem)
            own = getattr(place.default, problem.control)
            state = replace(state, **{problem.control: own})
        else:
            return state, tuple(problems)


def _check_choices(state: State, place: Place) -> None:
    lists = {
        "tower": place.towers,
        "target": place.targets,
        "pipeline": place.pipelines,
        "bay": BAYS,
        "compare": (ALONE, *chain.from_iterable(place.rivals.values())),
    }
    for name, known in lists.items():
        if getattr(state, name) not in known:
            asked = getattr(state, name)[:60]
            what = "such rival as" if name == "compare" else name
            raise _problem(
                name, f"There is no {what} '{asked}'; it must be one of {', '.join(known)}."
            )


def _problem(control: str, message: str) -> StateError:
    return StateError(Problem(control, message))


def _sentence(start: str, error: BenchError) -> str:
    return f"{start}: {str(error).rstrip('.')}."
