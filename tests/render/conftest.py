"""Drawing off-screen: skipped where no OpenGL works, but never where CI runs the tests."""

import os

import numpy as np
import pytest

from bench.errors import RenderError
from bench.render.gl import drawer


@pytest.fixture(scope="session")
def opengl():
    """Make sure that something can be drawn."""
    nothing = np.zeros((1, 3, 3))
    try:
        with drawer(nothing, nothing, (8, 8)):
            pass
    except RenderError as error:
        if os.environ.get("CI"):
            raise
        pytest.skip(str(error))
