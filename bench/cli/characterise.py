"""`sightbench characterise`: a camera measured from pictures, and the bench held against it."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from bench.cli.options import BayOption, OutOption, QuietOption, SeedOption, option
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar, say_large
from bench.cli.saying import say
from bench.errors import ConfigError
from bench.files import read_file

DEFAULT_OUT = Path("sightbench-characterise")


def command(
    frames: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="FRAMES…",
            help="Picture files, folders of them, or wild cards; all of one camera and setting.",
            show_default=False,
        ),
    ] = None,
    bay: BayOption = None,
    tower: Annotated[str | None, option("NAME", "Whose camera.", "the first")] = None,
    calibration: Annotated[
        Path | None,
        option(
            "calibration.json",
            "As 'sightbench intrinsics' wrote it, in place of the bay's intrinsics.",
        ),
    ] = None,
    pipeline: Annotated[
        list[str] | None,
        option("DETECTOR/SOLVER", "To judge. May be given several times.", "the bay's"),
    ] = None,
    as_said: Annotated[
        bool,
        typer.Option(
            "--as-said",
            help="Measure nothing: hold the bay file's own camera against the pictures.",
        ),
    ] = False,
    rigid: Annotated[
        list[str] | None,
        option(
            "FRAMES",
            "Pictures of two targets fixed on one bar: the bay's marker and the one of "
            "--second. May be given several times.",
        ),
    ] = None,
    second: Annotated[int | None, option("ID", "Id of the bar's other marker.", min=0)] = None,
    bar_length: Annotated[
        str | None,
        option(
            "'LENGTH +- U'",
            "The bar's calibrated length between the markers' centres and its standard "
            "uncertainty, such as '800 mm +- 0.1 mm'.",
        ),
    ] = None,
    known: Annotated[
        Path | None,
        option(
            "MOVES.csv",
            "Moves of the target between pictures: columns first, second (pictures beside "
            "the table), turn_deg, u_turn_deg, shift_mm, u_shift_mm, as far as known.",
        ),
    ] = None,
    sheet: Annotated[
        bool, typer.Option("--sheet", help="Only write the sheet that says how to take pictures.")
    ] = False,
    seed: SeedOption = None,
    quiet: QuietOption = False,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Measure a camera from pictures of a target, and say whether the bench predicts it.

    Pictures that are named alike up to a last number are a series: eight or more are repeats of a
    scene in which nothing moved, fewer are views, each its own; dark-… and flat-… are such frames.
    'sightbench characterise --sheet' prints what to take, and how.

    Repeats give gain, black level, dark noise and saturation (photon transfer, EMVA 1288 release
    4.0); what a target can't give, quantum efficiency and dark current, stays as said.
    Views give the blur over the field, with a slanted-edge response (ISO 12233) as a check that
    assumes no kernel, light, the pattern's reflectance and ink spread.

    Writes camera.toml, light.toml and target.toml, as a bay file takes them, each number with its
    standard uncertainty and source; bay.toml, the bay file with these numbers; tables and
    pictures.

    The last third of each series and every fourth view are held back: noise, boundaries, blur,
    detection and the scatter of each pipeline's poses there are compared with what the bench
    predicts of the measured camera. A gamma, and noise that neighbours share (denoised,
    sharpened), are measured too and written as keys of the bay file. Exit code 0: the bench
    predicts this camera; 1: it doesn't, and in what, with what to do; 3: these pictures can't
    tell, because noise is what no key says (rows, blocks of JPEG), a curve isn't a gamma, or
    something is missing.

    Scatter can't see what is off in every picture alike. A bar that mustn't change can (--rigid),
    and so can moves of the target that are known (--known): a protractor's angle, a shim's
    thickness, a stage's travel.

    Without pictures this is a rehearsal: frames of the shipped camera, blurred more than its data
    sheet says, are rendered, saved and characterised like photographs.

    \b
    Examples:
      sightbench characterise
      sightbench characterise shots/ --bay my-bay.toml --calibration calibration.json
      sightbench characterise shots/ --bay my-bay.toml --rigid bar/ --second 8
      sightbench characterise shots/ --bay my-bay.toml --known moves.csv
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.cameras.result import read_calibration
    from bench.characterise.bias import bar_in_pictures, bar_length_of, known_moves
    from bench.characterise.files import verdict_of, words_of, write_characterisation
    from bench.characterise.measure import characterise
    from bench.characterise.rehearsal import write_rehearsal
    from bench.characterise.sheet import write_sheets
    from bench.characterise.shots import Setup, file_notes, series_of
    from bench.imaging.read import find_pictures
    from bench.scene.load import load_bay
    from bench.scene.parts import bay_parts
    from bench.solve.pipeline import pipeline_from_name
    from bench.survey.setup import find_tower

    if sheet:
        for path in write_sheets(out):
            typer.echo(f"wrote {path}")
        return 0
    if bool(rigid) != (second is not None):
        raise ConfigError("characterise: --rigid and --second belong together")
    if bar_length is not None and not rigid:
        raise ConfigError("characterise: --bar-length needs the bar's pictures (--rigid)")
    length = None if bar_length is None else bar_length_of(bar_length)
    site = load_bay(bay)
    own = find_tower(site, tower)
    camera, calibrated, parts = own.camera, None, bay_parts(site)
    if calibration is not None:
        read, camera = read_calibration(calibration)
        calibrated = read.value.uncertainties
        parts["calibration"] = hashlib.sha256(read_file(read.path)).hexdigest()
    if (camera.width, camera.height) != (own.camera.width, own.camera.height):
        raise ConfigError(f"{calibration}: its pictures have another size than the bay's camera")
    names = pipeline or list(site.survey.pipelines)
    pipelines = tuple(pipeline_from_name(name) for name in dict.fromkeys(names))
    for one in pipelines:
        reason = one.refusal(site.target)
        if reason:
            raise ConfigError(reason)
    if frames:
        paths = find_pictures(frames)
    else:
        typer.echo(f"rehearsal: no pictures given, so rendered ones go to {out / 'rehearsal'}")
        with progress_bar("rendering", quiet) as moved:
            paths = write_rehearsal(site, own, out, moved)
    say_large(paths)
    series = series_of(paths)
    chosen = site.survey.seed if seed is None else seed
    setup = Setup(camera, own.imaging, site.target, pipelines, chosen, as_said)
    with progress_bar("pictures", quiet) as moved:
        found = characterise(series, setup, moved)
    checks, notes = list(found.checks), [*file_notes(paths), *found.notes]
    if found.known is None and (rigid or known):
        notes.append("bars and known moves can be judged once the camera is measured")
    if rigid and second is not None and found.known is not None:
        checks += bar_in_pictures(find_pictures(rigid), found.known, second, setup, length)
    if known is not None and found.known is not None:
        checks += known_moves(known, found.known, setup)
    found = replace(found, checks=checks, notes=notes)
    state = hashlib.sha256()
    for path in paths:
        state.update(read_file(path))
    digest = state.hexdigest()
    index = site.towers.index(own)
    origin = origin_of(site, chosen, parts | {"pictures": digest})
    written = write_characterisation(out, found, site, index, digest, origin, calibrated)
    say(words_of(found))
    typer.echo(f"wrote {', '.join(written)} in {out}")
    return verdict_of(found)
