"""`sightbench register`: tie two towers to each other by a bar with a target at each end."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.given import command_line
from bench.cli.options import (
    BayArgument,
    CornerSigmaOption,
    OutOption,
    PosesOption,
    QuietOption,
    SeedOption,
    centre_option,
    fraction,
    option,
    percent_option,
    poses_option,
    quantity_option,
)
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar
from bench.cli.register_solve import DEFAULT_OUT, NEGATIVE, rehearsed, solve_command
from bench.cli.saying import say
from bench.defaults import BAR_POSES
from bench.errors import ConfigError
from bench.files import make_directory
from bench.scene.fields import SCATTER_ANGLE, SCATTER_LENGTH

if TYPE_CHECKING:
    from bench.registration.plan import Progress

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    help="Tie two towers to each other by a bar with a target at each end.\n\n"
    "Each tower measures in its own camera's frame. A rigid bar, set up in a few poses so that "
    "each tower sees a target of it, gives the transform between the frames. 'plan' finds a short "
    "list of bar poses and says what any list leaves undetermined; 'rehearse' simulates it with "
    "an operator's scatter and all errors; 'solve' computes it from pictures or measured poses.",
    epilog="Exit codes: 0 done, 1 a negative verdict, 2 bad input.",
)


@app.command("plan")
def plan_command(
    bay: BayArgument = None,
    poses: Annotated[
        list[Path] | None,
        poses_option(
            "A list of your own to rank with the others; may be given several times.", False
        ),
    ] = None,
    steps: Annotated[
        int, option("N", "Bar poses to find; the way back comes on top.", min=3, max=30)
    ] = BAR_POSES,
    corner_sigma: CornerSigmaOption = None,
    seed: SeedOption = None,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Find a short list of bar poses, and rank lists by what they determine.

    The list is D-optimal: the volume of the uncertainty of the transform between the towers is
    the least that an exchange search finds among some hundred poses that stands and floor allow
    and both towers see. It goes to plan.toml, which 'rehearse' and 'solve' take, and to floor
    sheets to set out by (floor-sheet-a4.pdf, -letter.pdf): distances of both ends, height, turn
    and order, with a drawing and a box to tick. A list of your own that leaves a direction
    undetermined is named with it: where each tower sees its own target alone, turning the bar
    about its long axis isn't enough.

    The list ends where it began: of a target that slips on the bar late, only the way back to the
    first pose tells. Beside each pose stands the least slip that its check finds; a warning says
    where a slip of 1 or 3 mm, or a bend of 0.1 deg, may stay hidden and cost more than a third of
    a tolerance.

    Exit code 1 says that a list of your own leaves a direction undetermined.

    \b
    Examples:
      sightbench register plan
      sightbench register plan my-bay.toml --steps 4
      sightbench register plan my-bay.toml --poses mine.toml --poses quick.toml
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.registration.files import write_plan
    from bench.registration.plan import FOUND, default_sequence, progress
    from bench.registration.reliability import reliability
    from bench.registration.words import (
        progress_words,
        reliability_words,
        sequence_words,
        times_words,
    )
    from bench.scene.bar_section import read_poses
    from bench.scene.load import load_bay
    from bench.setting_out.floor_sheet import floor_sheet
    from bench.sighting.prediction import sigma_of_corner
    from bench.targets.files import write_papers

    place = load_bay(bay)
    found = default_sequence(place, steps, seed)
    sigma = sigma_of_corner(place, corner_sigma)
    own = {str(path): read_poses(path) for path in poses or []}
    ranked = {name: progress(place, s, sigma) for name, s in ({FOUND: found} | own).items()}
    order = sorted(ranked, key=lambda name: _merit(ranked[name][-1]))
    note = f"{place.name}; corners to {sigma:g} px; {command_line()}"
    in_order = {name: ranked[name] for name in order}
    origin = origin_of(place, place.survey.seed if seed is None else seed)
    reliable = reliability(place, found, corner_sigma)
    write_plan(out, place, found, in_order, reliable, origin, note)
    write_papers(partial(floor_sheet, place, found), "floor-sheet", out)
    typer.echo(f"{place.name}: {steps} bar poses found by search, and back to the first:")
    for line in sequence_words(found):
        typer.echo(f"  {line}")
    typer.echo(
        "Standard uncertainties of the right tower against the left one, from corners to "
        f"{sigma:g} px, the least volume first:"
    )
    best = ranked[FOUND][-1]
    for name in order:
        times = "" if name == FOUND else times_words(ranked[name][-1], best)
        typer.echo(f"  {name}: {progress_words(ranked[name][-1])}{times}")
    say(reliability_words(reliable))
    checked = {FOUND: reliable} | {
        name: reliability(place, poses, corner_sigma)
        for name, poses in own.items()
        if ranked[name][-1].is_determined and len(poses) > 1
    }
    for name, one in checked.items():
        for words in one.warnings:
            typer.echo(f"warning: {name}: {words}")
    typer.echo(f"wrote plan.toml, sets, plan, floor sheets to print and a picture in {out}")
    return NEGATIVE if any(not ranked[name][-1].is_determined for name in own) else 0


@app.command("rehearse")
def rehearse_command(
    bay: BayArgument = None,
    poses: PosesOption = None,
    trials: Annotated[int, typer.Option(min=1, max=100_000, help="Rehearsals.")] = 60,
    corner_sigma: CornerSigmaOption = None,
    scatter_angle: Annotated[
        float, quantity_option("Operator's, in each of the bar's angles.", SCATTER_ANGLE)
    ] = "1 deg",  # type: ignore[assignment]  # read by the parser
    scatter_position: Annotated[
        float, quantity_option("Operator's, in each coordinate of the bar.", SCATTER_LENGTH)
    ] = "20 mm",  # type: ignore[assignment]
    size_error: Annotated[float | None, percent_option("Of each target's printed size.")] = None,
    focal_error: Annotated[float | None, percent_option("Of each camera's focal length.")] = None,
    centre_error: Annotated[
        float | None, centre_option("Of each camera's principal point.")
    ] = None,
    pictures: Annotated[
        bool,
        typer.Option("--pictures", help="Also render one rehearsal's pictures and solve them."),
    ] = False,
    seed: SeedOption = None,
    quiet: QuietOption = False,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Simulate a list of bar poses many times, with scatter and errors, registering each time.

    All sizes of errors are standard deviations. Corner noise differs in every picture; errors of
    target sizes and cameras stay the same through one rehearsal, as on site; those of aspect and
    distortion are the bay file's [budget]. The verdict compares the expanded uncertainty (k = 2)
    of the right tower's turn about the vertical, which goes straight into toe, with the bay's
    tolerance of toe.

    With --pictures one rehearsal is also rendered, found by a real detector and solved; the
    pictures and camera files stay, for 'solve' to be tried on.

    \b
    Examples:
      sightbench register rehearse
      sightbench register rehearse my-bay.toml --poses plan.toml --trials 200
      sightbench register rehearse --scatter-angle "3 deg" --scatter-position "50 mm"
      sightbench register rehearse --pictures
    """  # noqa: D301
    import numpy as np

    from bench.registration.files import write_judged, write_poses, write_rehearsal
    from bench.registration.plan import default_sequence, progress
    from bench.registration.rehearsal import Errors, rehearse
    from bench.registration.taken_steps import judge_taken
    from bench.registration.words import progress_words, rehearsal_words, sequence_words, toe_words
    from bench.scene.bar_section import read_poses
    from bench.scene.load import load_bay
    from bench.sighting.prediction import sigma_of_corner

    place = load_bay(bay)
    sequence = default_sequence(place, seed=seed) if poses is None else read_poses(poses)
    sigma = sigma_of_corner(place, corner_sigma)
    steps = progress(place, sequence, sigma)
    if not steps[-1].is_determined:
        raise ConfigError(f"register: {progress_words(steps[-1])}")
    errors = replace(
        Errors.assumed(place.budget, fraction(size_error), fraction(focal_error), centre_error),
        corner_px=sigma,
        pose_angle=scatter_angle,
        pose_position=scatter_position,
    )
    with progress_bar("rehearsals", quiet) as moved:
        result = rehearse(place, sequence, trials, errors, seed=seed, moved=moved)
    make_directory(out)
    note = f"{place.name}; {trials} rehearsals; {command_line()}"
    origin = origin_of(place, place.survey.seed if seed is None else seed)
    write_rehearsal(out, place, result, steps, origin)
    write_poses(out, "rehearsal_poses", place, sequence, note)
    if len(result.errors) == 0:
        raise ConfigError(f"register: no rehearsal gave a registration: {result.refused[0]}")
    seen = np.sqrt(np.mean(result.errors**2, axis=0))
    typer.echo(f"{place.name}: {len(sequence)} bar poses, {len(result.errors)} rehearsals")
    for line in sequence_words(sequence):
        typer.echo(f"  {line}")
    say(rehearsal_words(result, seen))
    if pictures:
        taken = rehearsed(place, sequence, errors, out / "rehearsal", seed, quiet)
        typer.echo(f"rendered pictures in {out / 'rehearsal'}:")
        judged = judge_taken(taken, place, sequence, errors)
        write_judged(out, judged, origin)
        say(judged.words())
    typer.echo(f"wrote rehearsals, progress and a picture of the poses in {out}")
    expanded = 2.0 * float(max(seen[2], result.claimed[2]))
    typer.echo(toe_words(expanded, place.tolerance.toe))
    return 0 if expanded <= place.tolerance.toe else NEGATIVE


app.command("solve")(solve_command)


def _merit(last: Progress) -> tuple[int, float]:
    return (last.unknowns - last.rank, last.log_volume)
