"""`sightbench measure`: the detect-and-solve pipeline on photographs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bench.cli.given import command_line
from bench.cli.options import OutOption, QuietOption, option
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar, say_large
from bench.cli.saying import say
from bench.defaults import BY_TARGET
from bench.errors import ConfigError
from bench.files import make_directory

DEFAULT_OUT = Path("sightbench-measure")
COULD_NOT_JUDGE = 3


def command(
    images: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="IMAGES…",
            help="Picture files, folders of them, or wild cards.",
            show_default=False,
        ),
    ] = None,
    camera: Annotated[
        Path | None,
        option(
            "CAMERA",
            "Camera file: TOML as 'sightbench intrinsics' writes it; OpenCV's YAML, XML or "
            "JSON; ROS's camera_info; JSON with fx, fy, cx, cy or a matrix.",
        ),
    ] = None,
    target: Annotated[
        str | None,
        option(
            "TARGET",
            "What to look for: 'marker:36h11:0:200 mm', 'grid:36h11:3x2:80 mm:20 mm', "
            "'charuco:4x4_50:7x5:40 mm:30 mm', 'circles:4x11:20 mm:15 mm', "
            "'chessboard:9x6:25 mm', or a bay file, whose target is taken: with [wheel_ids] each "
            "wheel's, by name.",
        ),
    ] = None,
    layout: Annotated[
        Path | None,
        option(
            "TABLE.csv",
            "Tags of known places in place of --target: dictionary, id, size_mm, x_mm, y_mm, "
            "z_mm; rx_deg, ry_deg, rz_deg and u_mm where they aren't 0. 'sightbench bay --layout' "
            "writes those of a bay's bar and floor.",
        ),
    ] = None,
    any_id: Annotated[
        bool,
        typer.Option(
            "--any-id", help="Measure every marker of the dictionary that is plausibly there."
        ),
    ] = False,
    pipeline: Annotated[
        list[str] | None,
        option(
            "DETECTOR/SOLVER", "Such as apriltag/ippe-lm. May be given several times.", BY_TARGET
        ),
    ] = None,
    overlays: Annotated[bool, typer.Option(help="Draw what was found over each picture.")] = True,
    quiet: QuietOption = False,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Measure targets in photographs with the pipelines that 'sightbench map' surveys.

    Writes a table, measurements.csv and .parquet, with a row for each picture, target and
    pipeline: pose, standard uncertainties as the pipeline claims them, residual, the second
    solution of the planar two-fold ambiguity, tilt and range; and a picture with what was found
    drawn over each photograph. A target that isn't found is a row too, with its outcome.

    Standard uncertainties know of random scatter alone. What a pipeline is off by in every
    picture alike, 'sightbench map' shows as bias; errors of the camera file and of the target's
    size come on top.

    The camera file must be for pictures of this size, taken with this lens and focus. Target
    sizes are those of the printed target: measure it.

    AprilTag markers from another project's drawing may be upside down against OpenCV's, and the
    target's axes with them: then write 'marker:36h11:7:200 mm:upside-down'. Pictures of a printed
    target with its upper side up tell: roll near 180 deg is a marker upside down.

    With --any-id a marker counts where its bits are clear, each nearer to its own colour than to
    the middle grey: all but so many that one in a hundred random patterns would pass (none of 16
    bits, 4 of 36). Ids that are left out are named. Without --any-id the target's own id is
    measured however it is shown.

    Circles light on dark and ChArUco boards in the layout that OpenCV drew before 4.6 are found
    too, and said to be (column read_as).

    A chessboard looks the same upside down: its pose is one of the two.

    With --layout each picture gives one pose of the camera in the frame of tags whose places are
    known, with covariance, from all their corners at once (camera.csv). Each tag is held against
    the pose from the others (tags.csv); one that isn't where it should be is named, with how far
    it is off, and takes no part. Exit code 1: a place is contradicted.

    Without pictures this is a rehearsal: six pictures of the shipped bay's target are rendered,
    saved and then measured like photographs, so that the whole way can be tried.

    \b
    Examples:
      sightbench measure
      sightbench measure photos/ --camera camera.toml --target "marker:36h11:7:200 mm"
      sightbench measure photos/ --camera camera.toml --layout floor-marks.csv
      sightbench measure a.jpg b.jpg --camera cam.yml --target "marker:6x6_250:0:5 cm" --any-id
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    from bench.cameras.measuring import any_id_words, measure_file
    from bench.cameras.photograph_files import (
        MEASURED,
        overlay_names,
        size_of,
        write_rehearsed_photographs,
    )
    from bench.cameras.photograph_targets import check_pipelines, pipelines_of, read_target
    from bench.cameras.photographs import measurement_row, measurement_words, measurements_table
    from bench.cameras.wheel_photographs import measure_wheels, read_wheel_targets
    from bench.digest import content_digest
    from bench.envelope import write_result
    from bench.imaging.read import find_pictures, read_picture
    from bench.scene.camera_file import read_camera
    from bench.survey.tables import write_table

    if layout is not None:
        if target is not None or any_id or pipeline:
            raise ConfigError("--layout stands in place of --target, --any-id and --pipeline")
        return _by_layout(images, camera, layout, quiet, out)
    if images:
        if camera is None or target is None:
            raise ConfigError("measure: pictures need --camera and --target, or --layout")
        paths, lens, wanted = find_pictures(images), camera, target
    else:
        if camera is not None or target is not None:
            raise ConfigError("measure: --camera and --target need pictures to measure")
        paths, lens, wanted = write_rehearsed_photographs(out, typer.echo)
    intrinsics = read_camera(lens, size_of(paths[0]))
    looked_for = read_target(wanted)
    by_wheel = {} if any_id else read_wheel_targets(wanted)
    pipelines = pipelines_of(looked_for, pipeline or [])
    check_pipelines(looked_for, pipelines, any_id)
    say_large(paths)
    for path in paths:  # before anything is written
        read_picture(path, intrinsics)
    make_directory(out)
    rows, left_out = [], []
    names = overlay_names(paths)
    with progress_bar("pictures", quiet) as progress:
        for done, path in enumerate(paths):
            if by_wheel:
                found = measure_wheels(path, intrinsics, by_wheel, pipelines)
            else:
                found, others = measure_file(path, intrinsics, looked_for, pipelines, any_id)
                left_out += others
            rows += [measurement_row(m) for m in found]
            if overlays:
                from bench.cameras.overlay import write_overlay  # takes a second to load

                note = f"camera {lens.name}; {command_line()}"
                write_overlay(out / names[path], found, note)
            progress(done + 1, len(paths))
    table = measurements_table(rows)
    write_table(out, "measurements", table, decimals=6)
    value = {"camera": str(lens), "target": looked_for.name, "pictures": len(paths)}
    parts = {"camera": content_digest(intrinsics), "target": content_digest(looked_for)}
    write_result(out / MEASURED.file, MEASURED, value, origin_of(parts=parts))
    say(measurement_words(table))
    if any_id:
        say(any_id_words(str(looked_for.dictionary), left_out))
    drawn = " and an overlay of each picture" if overlays else ""
    typer.echo(f"wrote measurements.csv, measurements.parquet{drawn} in {out}")
    return 0 if table["range_m"].count() else COULD_NOT_JUDGE


def _by_layout(
    images: list[str] | None, camera: Path | None, layout: Path, quiet: bool, out: Path
) -> int:
    """Measure the camera's pose in a layout of tags."""
    from bench.cameras.layout_files import (
        camera_table,
        layout_words,
        measure_layout,
        read_layout,
        tags_table,
    )
    from bench.cameras.photograph_files import MEASURED, size_of
    from bench.digest import content_digest
    from bench.envelope import write_result
    from bench.imaging.read import find_pictures, read_picture
    from bench.scene.camera_file import read_camera
    from bench.survey.tables import write_table

    if not images or camera is None:
        raise ConfigError("measure: --layout needs pictures and --camera")
    paths, tags = find_pictures(images), read_layout(layout)
    intrinsics = read_camera(camera, size_of(paths[0]))
    say_large(paths)
    for path in paths:  # before anything is written
        read_picture(path, intrinsics)
    make_directory(out)
    found = []
    with progress_bar("pictures", quiet) as progress:
        for done, path in enumerate(paths):
            found.append(measure_layout(path, intrinsics, tags))
            progress(done + 1, len(paths))
    write_table(out, "camera", camera_table(found), decimals=6)
    write_table(out, "tags", tags_table(found), decimals=6)
    value = {"camera": str(camera), "layout": str(layout), "pictures": len(paths)}
    parts = {"camera": content_digest(intrinsics), "layout": content_digest(tags)}
    write_result(out / MEASURED.file, MEASURED, value, origin_of(parts=parts))
    say(layout_words(found))
    typer.echo(f"wrote camera.csv, tags.csv and .parquet of both in {out}")
    results = [picture.result for picture in found if picture.result is not None]
    if not results:
        return COULD_NOT_JUDGE
    return 1 if any(r.contradicted or r.misplaced for r in results) else 0
