"""Layouts as tables of tags, pictures measured by them, and what they say as tables and words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from bench.cameras.layout import LayoutPose, Tag, TagSeen, pose_in_layout
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import GeometryError, TargetError
from bench.geometry.camera import Camera, pose_jacobian, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.imaging.read import read_picture
from bench.solve.covariance import propagate
from bench.solve.default_pipeline import detector_of
from bench.solve.estimate import Outcome
from bench.solve.pipeline import pipeline_from_name
from bench.survey.columns import Column, schema
from bench.tables import Row, numbers, read_table, texts
from bench.targets.marker import MarkerDesign, build_marker
from bench.targets.target import Target
from bench.typing import Array

IN_A_BAY = (-200_000.0, 200_000.0)
LAYOUT_COLUMNS = (
    *texts("dictionary"),
    *numbers("id", within=(0.0, 1e6)),
    *numbers("size_mm", within=(1e-3, 1e5)),
    *numbers("x_mm", "y_mm", "z_mm", within=IN_A_BAY),
    *numbers("rx_deg", "ry_deg", "rz_deg", optional=True, within=(-360.0, 360.0)),
    *numbers("u_mm", optional=True, within=(0.0, 1e3)),
)
# All corners of a tag's own pose, by least squares: what starts and judges need no more.
# All pixels of a tag tell its place better than its corners, whose errors now and then are several
# times what is claimed: of good layouts 13 % were contradicted by corners.
SOLVERS = ("photometric", "ippe-lm")
# Of corners that stand for a pose, so that their covariance has full rank: far below any claim.
FLOOR_PX = 1e-3

AXES = ("x", "y", "z")
CAMERA_COLUMNS = (
    Column("picture", pl.String, "", "the picture file"),
    Column("outcome", pl.String, "", "ok, contradicted, or missed"),
    Column("tags_used", pl.Int64, "", "tags that the pose is from"),
    *(Column(f"{a}_mm", pl.Float64, "mm", "camera's centre in the layout") for a in AXES),
    *(Column(f"r{a}_deg", pl.Float64, "deg", "rotation vector, camera to layout") for a in AXES),
    *(Column(f"u_{a}_mm", pl.Float64, "mm", "standard uncertainty of the centre") for a in AXES),
    *(Column(f"u_r{a}_deg", pl.Float64, "deg", "about the layout's axes") for a in AXES),
    Column("chi_square", pl.Float64, "", "of the corners used"),
    Column("freedom", pl.Int64, "", "degrees of freedom"),
)
TAG_COLUMNS = (
    Column("picture", pl.String, "", "the picture file"),
    Column("tag", pl.String, "", "dictionary and id"),
    Column("outcome", pl.String, "", "used, misplaced, or missed"),
    Column("chi_square", pl.Float64, "", "of its corners against the pose from the other tags"),
    Column("p", pl.Float64, "", "chance of as large a one"),
    *(Column(f"off_{a}_mm", pl.Float64, "mm", "from its stated place, layout axes") for a in AXES),
    Column("off_deg", pl.Float64, "deg", "turned from its stated attitude"),
)


@dataclass(frozen=True, eq=False)
class LayoutTag:
    """A tag of a layout and the target to look for."""

    tag: Tag
    target: Target


@dataclass(frozen=True, eq=False)
class LayoutPicture:
    """A picture and what its tags say; None where the camera's pose stays open."""

    picture: str
    missed: tuple[str, ...]
    result: LayoutPose | None


def read_layout(path: Path) -> tuple[LayoutTag, ...]:
    """Return the tags of a table: dictionary, id, size_mm, x_mm, y_mm, z_mm.

    The place is the tag's middle in the layout's frame; rx_deg, ry_deg, rz_deg a rotation vector
    from the tag's axes (x right, y up, z out of its face) to the layout's, 0 where left out;
    u_mm a standard uncertainty of each coordinate.

    Raises
    ------
    ConfigError
        The table can't be read, names no such tag, or one twice.
    """
    rows = read_table(path, LAYOUT_COLUMNS)
    found: dict[str, LayoutTag] = {}
    for row in rows:
        layout_tag = _tag(row)
        if layout_tag.tag.name in found:
            raise row.refusal(f"{layout_tag.tag.name} stands in the table twice")
        found[layout_tag.tag.name] = layout_tag
    return tuple(found.values())


def _tag(row: Row) -> LayoutTag:
    n = row.numbers
    if n["id"] != int(n["id"]):
        raise row.refusal(f"id must be a whole number, got {n['id']:g}")
    try:
        design = MarkerDesign(row.texts["dictionary"], int(n["id"]), 1e-3 * n["size_mm"])
        target = build_marker(design)
    except TargetError as error:
        raise row.refusal(str(error)) from error
    turn = np.radians([n.get(f"r{a}_deg", 0.0) for a in AXES])
    place = 1e-3 * np.array([n[f"{a}_mm"] for a in AXES])
    name = f"{row.texts['dictionary']}:{int(n['id'])}"
    return LayoutTag(Tag(name, Pose.from_rotvec(turn, place), 1e-3 * n.get("u_mm", 0.0)), target)


def measure_layout(path: Path, camera: Camera, layout: Sequence[LayoutTag]) -> LayoutPicture:
    """Return the camera's pose in the layout, from one picture file.

    Raises
    ------
    PictureError
        The file can't be read, or is of another size than the camera's.
    """
    picture = read_picture(path, camera)
    seen, missed = [], []
    for layout_tag in layout:
        one = _look(Observation(picture, camera, layout_tag.target), layout_tag.tag)
        if one is None:
            missed.append(layout_tag.tag.name)
        else:
            seen.append(one)
    try:
        result = pose_in_layout(seen, camera)
    except GeometryError:
        return LayoutPicture(str(path), tuple(tag.tag.name for tag in layout), None)
    return LayoutPicture(str(path), tuple(missed), result)


def _look(observation: Observation, tag: Tag) -> TagSeen | None:
    """Return a tag as all its pixels have it, else by its corners; None where it isn't found."""
    detector = detector_of(observation.target)
    whole, corners = (pipeline_from_name(f"{detector}/{solver}") for solver in SOLVERS)
    detection, estimate = whole.run(observation)
    if detection.found is not Found.FOUND or not np.all(np.isfinite(detection.pixels)):
        return None
    T, covariance = estimate.T_camera_target_est, estimate.covariance
    if estimate.outcome is Outcome.OK and T is not None and covariance is not None:
        by_pose = pose_jacobian(detection.p_target, T, observation.camera).reshape(-1, 6)
        spread = propagate(by_pose, covariance) + FLOOR_PX**2 * np.eye(len(by_pose))
        pixels = project(detection.p_target, T, observation.camera)
        return TagSeen(tag, pixels, detection.p_target, spread, (T,), freedom=6)
    plain = corners.solve(detection, observation)
    return TagSeen(
        tag,
        detection.pixels,
        detection.p_target,
        claimed_covariance(detection),
        tuple(p for p in (plain.T_camera_target_est, plain.runner_up) if p is not None),
    )


def claimed_covariance(detection: Detection) -> Array:
    """Return the covariance (2 N, 2 N) of a detection's pixels as it claims them."""
    n = len(detection.pixels)
    more = detection.more_px if len(detection.more_px) else np.zeros(n)
    independent = np.diag(np.repeat(detection.sigma_px**2 + more**2, 2))
    shared = detection.shared.reshape(-1, 2 * n)
    return np.asarray(independent + shared.T @ shared)


def camera_table(pictures: Sequence[LayoutPicture]) -> pl.DataFrame:
    """Return the table of the camera's poses, a row a picture."""
    return pl.DataFrame([_camera_row(p) for p in pictures], schema=schema(CAMERA_COLUMNS))


def _camera_row(picture: LayoutPicture) -> dict[str, object]:
    result = picture.result
    if result is None:
        return {"picture": picture.picture, "outcome": "missed"}
    pose, sigma = result.T_layout_camera, np.sqrt(np.diag(result.covariance))
    turn = np.degrees(log_rotation(pose.rotation))
    row: dict[str, object] = {
        "picture": picture.picture,
        "outcome": "contradicted" if result.contradicted else "ok",
        "tags_used": len(result.tags) - len(result.misplaced),
        "chi_square": result.chi_square,
        "freedom": result.freedom,
    }
    for i, axis in enumerate(AXES):
        row[f"{axis}_mm"] = 1e3 * float(pose.translation[i])
        row[f"r{axis}_deg"] = float(turn[i])
        row[f"u_r{axis}_deg"] = math.degrees(sigma[i])
        row[f"u_{axis}_mm"] = 1e3 * float(sigma[3 + i])
    return row


def tags_table(pictures: Sequence[LayoutPicture]) -> pl.DataFrame:
    """Return the table of tags, a row a picture and tag."""
    rows: list[dict[str, object]] = []
    for picture in pictures:
        for verdict in () if picture.result is None else picture.result.tags:
            row: dict[str, object] = {
                "picture": picture.picture,
                "tag": verdict.seen.tag.name,
                "outcome": "misplaced" if verdict.misplaced else "used",
                "chi_square": verdict.chi_square,
                "p": verdict.p,
            }
            if verdict.off is not None:
                off = 1e3 * verdict.off.translation
                row |= {f"off_{a}_mm": float(v) for a, v in zip(AXES, off, strict=True)}
                turn = float(np.linalg.norm(log_rotation(verdict.off.rotation)))
                row["off_deg"] = math.degrees(turn)
            rows.append(row)
        rows += [
            {"picture": picture.picture, "tag": name, "outcome": "missed"}
            for name in picture.missed
        ]
    return pl.DataFrame(rows, schema=schema(TAG_COLUMNS))


def layout_words(pictures: Sequence[LayoutPicture]) -> list[str]:
    """Return what the pictures say, contradictions first, a line each."""
    lines, wrong = [], []
    for picture in pictures:
        name, result = Path(picture.picture).name, picture.result
        if result is None:
            lines.append(f"{name}: no pose, no tag of the layout is found well enough")
            continue
        wrong += [f"{name}: {words}" for words in _contradictions(result)]
        x, y, z = 1e3 * result.T_layout_camera.translation
        u = 1e3 * np.sqrt(np.diag(result.covariance))[3:]
        used = len(result.tags) - len(result.misplaced)
        lines.append(
            f"{name}: camera at ({x:.1f}, {y:.1f}, {z:.1f}) mm ± ({u[0]:.2g}, {u[1]:.2g}, "
            f"{u[2]:.2g}) mm in the layout, from {used} of {used + len(result.misplaced)} tags"
        )
    return wrong + lines


def _contradictions(result: LayoutPose) -> list[str]:
    if result.contradicted:
        names = " and ".join(
            verdict.seen.tag.name for verdict in result.tags if not verdict.misplaced
        )
        return [f"{names} contradict each other, and two can't tell which stands wrong"]
    lines = []
    for verdict in result.tags:
        if not verdict.misplaced:
            continue
        line = f"{verdict.seen.tag.name} isn't where the layout has it (p = {verdict.p:.1g})"
        if verdict.off is not None:
            x, y, z = 1e3 * verdict.off.translation
            turn = math.degrees(float(np.linalg.norm(log_rotation(verdict.off.rotation))))
            line += f": off by ({x:+.1f}, {y:+.1f}, {z:+.1f}) mm and {turn:.1f} deg"
        lines.append(line)
    return lines
