"""Drawing triangles off-screen by OpenGL: the one module that touches pyrender.

It is imported only when something is drawn: a machine without a display driver can do all else.
"""

from __future__ import annotations

import gc
import os
import sys
import textwrap
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.errors import RenderError
from bench.render import osmesa
from bench.typing import Array

PLATFORM = "PYOPENGL_PLATFORM"
# Off-screen ways to OpenGL, in the order in which they are tried, and what provides them.
WAYS = ("egl", "osmesa")
INSTALL = (
    "install EGL with a software driver (Debian: libegl1 and libgl1-mesa-dri) or OSMesa "
    "(Debian: libosmesa6)"
)


class Drawer:
    """A scene of triangles, drawn from the origin along +z in the camera's axes."""

    def __init__(
        self,
        pyrender: Any,
        triangles: Array,
        colours: Array,
        size: tuple[int, int],
        background: float,
    ) -> None:
        self._pyrender = pyrender
        self._scene = pyrender.Scene(bg_color=[background, background, background, 1.0])
        count = 3 * len(triangles)
        opaque = np.concatenate((colours.reshape(count, 3), np.ones((count, 1))), axis=1)
        primitive = pyrender.Primitive(
            positions=(triangles.reshape(count, 3) * (1.0, -1.0, -1.0)).astype(np.float32),
            color_0=np.clip(opaque, 0.0, 1.0).astype(np.float32),
            material=pyrender.MetallicRoughnessMaterial(
                baseColorFactor=[1.0, 1.0, 1.0, 1.0], doubleSided=True
            ),
        )
        self._scene.add(pyrender.Mesh([primitive]))
        self._renderer = pyrender.OffscreenRenderer(*size)
        inner = self._renderer._renderer
        inner._read_main_framebuffer = partial(_colour_alone, inner)

    def draw(self, fx: float, fy: float, cx: float, cy: float, near: float, far: float) -> Array:
        """Return the picture (height, width, 3), 0 to 255, uint8.

        Parameters
        ----------
        fx, fy, cx, cy : float
            Of a pinhole; (0, 0) is the centre of the top left pixel.
        near, far : float
            What is nearer or farther along the axis isn't drawn, metres.
        """
        # its principal point counts from the picture's corner
        camera = self._pyrender.IntrinsicsCamera(fx, fy, cx + 0.5, cy + 0.5, near, far)
        node = self._scene.add(camera)
        try:
            colour, _ = self._renderer.render(self._scene, flags=self._pyrender.RenderFlags.FLAT)
        finally:
            self._scene.remove_node(node)
        return np.asarray(colour)

    def close(self) -> None:
        """Give the graphics memory back."""
        self._renderer.delete()


def _colour_alone(renderer: Any, _scene: Any, _flags: int) -> tuple[NDArray[np.uint8], None]:
    """Read what a pyrender renderer (0.1.45) has drawn, as it does itself, and not the depth.

    Nobody asks for the depth, and it would take most of a picture's time.
    """
    from OpenGL import GL

    width, height = renderer._main_fb_dims
    GL.glBindFramebuffer(GL.GL_READ_FRAMEBUFFER, renderer._main_fb_ms)
    GL.glBindFramebuffer(GL.GL_DRAW_FRAMEBUFFER, renderer._main_fb)
    GL.glBlitFramebuffer(
        0, 0, width, height, 0, 0, width, height, GL.GL_COLOR_BUFFER_BIT, GL.GL_LINEAR
    )
    GL.glBindFramebuffer(GL.GL_READ_FRAMEBUFFER, renderer._main_fb)
    colour = GL.glReadPixels(0, 0, width, height, GL.GL_RGB, GL.GL_UNSIGNED_BYTE)
    return np.frombuffer(colour, dtype=np.uint8).reshape(height, width, 3)[::-1], None


@contextmanager
def drawer(
    triangles: Array, colours: Array, size: tuple[int, int], background: float = 0.0
) -> Iterator[Drawer]:
    """Yield what draws triangles in pictures of one size.

    Parameters
    ----------
    triangles, colours : (F, 3, 3) float64
        Corners in the camera's frame, metres; their red, green and blue, 0 to 1.
    size : (int, int)
        Width and height of pictures, pixels.
    background : float
        Of what no triangle covers, 0 to 1.

    Raises
    ------
    RenderError
        Nothing on this machine draws off-screen.
    """
    with warnings.catch_warnings():
        # of pyrender 0.1.45 and PyOpenGL on newer Pythons and numpys; nothing to act on
        for kind in (DeprecationWarning, PendingDeprecationWarning, ResourceWarning):
            warnings.simplefilter("ignore", kind)
        found = Drawer(_pyrender(), triangles, colours, size, background)
        try:
            yield found
        finally:
            found.close()


def _pyrender() -> Any:
    """Return pyrender, ready to draw off-screen."""
    if not hasattr(np, "infty"):  # pyrender 0.1.45 still uses a name that numpy 2 took away
        vars(np)["infty"] = np.inf
    wanted = os.environ.get(PLATFORM)
    tried = (wanted,) if wanted in WAYS else WAYS
    if "pyrender" in sys.modules:  # the first import settled the way, whoever made it
        os.environ[PLATFORM] = _settled_way()
        return sys.modules["pyrender"]
    faults = []
    for way in tried:
        os.environ[PLATFORM] = way
        try:
            return _import()
        except Exception as error:  # whatever a missing or broken GL raises
            faults.append(f"{way}: {_said(error)}")
            _forget()
    os.environ.pop(PLATFORM)
    raise RenderError(
        f"no OpenGL that draws without a display was found ({'; '.join(faults)}): {INSTALL}"
    )


def _said(error: Exception) -> str:
    """Return what an error says first; PyOpenGL's carry several texts, long paths among them."""
    words = " ".join(str(error.args[0] if error.args else error).split())
    return textwrap.shorten(words, 80, placeholder=" …") or type(error).__name__


def _settled_way() -> str:
    """Return the way to OpenGL that PyOpenGL took when it was imported."""
    platform = sys.modules["OpenGL.platform"].PLATFORM
    return "osmesa" if "osmesa" in type(platform).__name__.lower() else "egl"


def _import() -> Any:
    if os.environ[PLATFORM] == "osmesa":
        osmesa.complete()
    import pyrender

    pyrender.OffscreenRenderer(8, 8).delete()
    # pyrender collects garbage after every picture: what is loaded by now isn't looked through
    gc.freeze()
    return pyrender


def _forget() -> None:
    """Take back imports that settled on a way to OpenGL which doesn't work."""
    for name in [n for n in sys.modules if n.partition(".")[0] in ("pyrender", "OpenGL")]:
        del sys.modules[name]
