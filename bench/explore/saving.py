"""A state's illustration as files: the teaching card and its sidecar."""

from __future__ import annotations

import io
import json
import shlex
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

from bench.errors import BenchError
from bench.explore.place import Place, job_of, with_digests
from bench.explore.state import Problem, State, StateError
from bench.files import make_directory, write_atomically
from bench.teaching.captions import read_captions
from bench.teaching.trials import Illustrated, illustrate_plan

STEM = "sightbench-explore"
TRIALS = 40  # pictures behind the card's numbers, as `sightbench illustrate` has them
# Files in an archive carry a date; a fixed one, so that the same state gives the same bytes.
DATE = (1980, 1, 1, 0, 0, 0)


def command_of(state: State, bay_file: Path | None) -> str:
    """Return the command that writes a state's illustration again."""
    words = ["sightbench", "explore", *([] if bay_file is None else [str(bay_file)])]
    return shlex.join([*words, "--state", state.permalink(), "--out", "DIR"])


def illustration(state: State, place: Place, bay_file: Path | None = None) -> dict[str, bytes]:
    """Return the files of a state's illustration by name.

    Raises
    ------
    StateError
        The state can't be shown, or its pipeline fails.
    """
    # matplotlib takes a second to load, which the page's first picture needn't wait for
    from bench.teaching.files import illustration_bytes, illustration_record

    job = with_digests(job_of(state, place))
    plan = replace(job.plan, trials=TRIALS)
    captions = read_captions("en")
    try:
        shown: Illustrated = illustrate_plan(place.bay, job.setting, plan)
    except BenchError as error:
        raise StateError(Problem("", f"No illustration: {str(error).rstrip('.')}.")) from error
    command = command_of(state, bay_file)
    record: dict[str, Any] = illustration_record(shown, place.bay, captions, command)
    record["state"] = state.as_dict()
    text = json.dumps(record, indent=2, ensure_ascii=False, default=str)
    return {
        f"{STEM}.png": illustration_bytes(shown, place.bay, captions),
        f"{STEM}.json": text.encode(),
    }


def archive(files: dict[str, bytes]) -> bytes:
    """Return files as one zip archive, whose bytes depend on them alone."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in files.items():
            packed.writestr(zipfile.ZipInfo(name, DATE), content)
    return buffer.getvalue()


def save(files: dict[str, bytes], directory: Path) -> list[Path]:
    """Write files into a directory; return their paths.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(directory)
    for name, content in files.items():
        write_atomically(directory / name, content)
    return [directory / name for name in files]
