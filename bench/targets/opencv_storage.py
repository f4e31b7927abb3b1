"""OpenCV's `FileStorage` opened on text whose depth is bounded, without its own remarks."""

from __future__ import annotations

from typing import Any

import cv2

from bench.parsing import refuse_deep
from bench.quiet import hushed


def storage_of(text: str) -> Any:
    """Return the storage that a text in OpenCV's YAML, XML or JSON holds.

    Raises
    ------
    ValueError
        It is nested too deep; without words where OpenCV can't read it.
    """
    refuse_deep(text)
    if "\0" in text or not text.strip():
        raise ValueError
    try:
        with hushed():
            storage = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
    except (cv2.error, SystemError) as error:
        raise ValueError from error
    if not storage.isOpened():
        raise ValueError
    return storage
