"""Meshes from files, read by trimesh."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bench.errors import ConfigError
from bench.geometry.rotation import rotation_z
from bench.quiet import hushed
from bench.scene.surroundings import MeshObject
from bench.typing import Array

Indices = NDArray[np.intp]
MAX_TRIANGLES = 2_000_000
MAX_BYTES = 300_000_000  # so many triangles have 100 MB as STL


def read_mesh(path: Path) -> tuple[Array, Indices]:
    """Return a mesh file's vertices (V, 3), in the file's unit, and triangles (F, 3), indices.

    Several meshes in one file, such as a GLB scene's, become one.

    Raises
    ------
    ConfigError
        The file is missing, of an unknown format, broken, without any surface, or of more than
        `MAX_TRIANGLES` triangles.
    """
    if not path.is_file():
        raise ConfigError(f"'{path}' doesn't exist or is no file: a mesh file is needed here")
    status = path.stat()
    if status.st_size > MAX_BYTES:
        raise ConfigError(f"'{path}' is larger than {MAX_BYTES // 10**6} MB")
    return _read(path, status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=16)
def _read(path: Path, modified_ns: int, size: int) -> tuple[Array, Indices]:
    """Read a mesh file; time and size are there so that a changed file is read again."""
    import trimesh  # slow to import, and few bays have a mesh

    kind = path.suffix.lower().removeprefix(".")
    formats = sorted(trimesh.available_formats())
    if kind not in formats:
        raise ConfigError(
            f"'{path.name}' is of format '{kind}'; formats that can be read are "
            f"{', '.join(formats)}"
        )
    try:
        with hushed():
            mesh = trimesh.load_mesh(path, file_type=kind)
        vertices = np.asarray(mesh.vertices, dtype=np.float64)
        triangles = np.asarray(mesh.faces, dtype=np.intp)
    except Exception as error:  # a reader of foreign files may raise anything
        said = " ".join(str(error).split())[:120] or type(error).__name__
        raise ConfigError(f"'{path.name}' can't be read as {kind.upper()}: {said}") from error
    if triangles.ndim != 2 or len(triangles) == 0:
        raise ConfigError(f"'{path.name}' has no triangles; a mesh with a surface is needed")
    if len(triangles) > MAX_TRIANGLES:
        raise ConfigError(
            f"'{path.name}' has {len(triangles)} triangles; up to {MAX_TRIANGLES} are allowed"
        )
    if not np.all(np.isfinite(vertices)):
        raise ConfigError(f"'{path.name}' has a vertex that isn't finite")
    return vertices, triangles


def mesh_in_bay(mesh: MeshObject) -> tuple[Array, Indices]:
    """Return a mesh object's vertices (V, 3) in the bay's frame, metres, and triangles (F, 3).

    Raises as `read_mesh` does.
    """
    vertices, triangles = read_mesh(mesh.path)
    placed = mesh.scale * vertices @ rotation_z(mesh.yaw).T + np.asarray(mesh.position)
    return placed, triangles


def inside_mesh(points: Array, vertices: Array, triangles: Indices) -> Array:
    """Tell for points (N, 3) whether they lie inside a mesh, (N,) bool.

    By the winding number: the sum of the triangles' solid angles (Van Oosterom and Strackee
    1983, doi:10.1109/TBME.1983.325207) over 4 pi, 1 or -1 inside a closed surface and 0 outside;
    a surface with holes counts where more than half of it surrounds the point.
    """
    inside = np.zeros(len(points), dtype=bool)
    for index, point in enumerate(points):
        a, b, c = (vertices[triangles[:, k]] - point for k in range(3))
        la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
        volume = np.einsum("ij,ij->i", a, np.cross(b, c))
        dots = [np.einsum("ij,ij->i", p, q) for p, q in ((a, b), (b, c), (c, a))]
        below = la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb
        inside[index] = abs(np.sum(2.0 * np.arctan2(volume, below))) > 2.0 * np.pi
    return inside
