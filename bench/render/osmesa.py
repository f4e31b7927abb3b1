"""Patches of PyOpenGL 3.1.0's OSMesa, which pyrender asks for, for what it lacks.

OSMesa's own header, GL/osmesa.h, gives the numbers and the signature.
"""

from __future__ import annotations

import ctypes
from typing import Any

NUMBERS = {
    "OSMESA_DEPTH_BITS": 0x30,
    "OSMESA_PROFILE": 0x33,
    "OSMESA_CORE_PROFILE": 0x34,
    "OSMESA_CONTEXT_MAJOR_VERSION": 0x36,
    "OSMESA_CONTEXT_MINOR_VERSION": 0x37,
}


def complete() -> None:
    """Add to `OpenGL.osmesa` what is missing; do nothing where it is complete.

    Raises
    ------
    ImportError, AttributeError
        OSMesa isn't there, or is older than its version 12, the first with this call.
    """
    import OpenGL.osmesa as module
    from OpenGL import platform

    if hasattr(module, "OSMesaCreateContextAttribs"):
        return
    create = platform.PLATFORM.OSMesa.OSMesaCreateContextAttribs
    create.restype = module.OSMesaContext
    create.argtypes = [ctypes.c_void_p, module.OSMesaContext]

    def create_context(attributes: Any, shared: Any) -> Any:
        """Call OSMesa with a ctypes array of names and values, ended by 0."""
        return create(ctypes.addressof(attributes), shared)

    # contexts are keys of a table in PyOpenGL: plain addresses can be, pointer objects can't
    platform.PLATFORM.GetCurrentContext.restype = ctypes.c_void_p
    vars(module).update(NUMBERS, OSMesaCreateContextAttribs=create_context)
