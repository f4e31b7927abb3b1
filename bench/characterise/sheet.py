"""The printed sheet that says how to take the pictures."""

from __future__ import annotations

from pathlib import Path

from bench.setting_out.sheet_frame import HEAD, Flow, body_frame, foot, page_of
from bench.setting_out.sheet_marks import SMALL, THIN, TITLE
from bench.targets.annotation import QUIET
from bench.targets.files import write_papers
from bench.targets.page import Line, Sheet, Text, paper_size, paper_title

STEM = "how-to-take-pictures"
READ, STEP = 4.0, 4.4  # mm of type: read standing, with the sheet on a bench
MIND = (
    "Mains lamps and stands: the maker's instructions, a stable stand and local codes come first; "
    "lamps get hot; never look into a lamp; keep cables where nobody trips."
)
STEPS = {
    "Before": "Lens focused and locked, aperture locked, automatic exposure, gain, gamma, "
    "sharpening and white balance off; raw, uncompressed files of all bits. Let the camera warm "
    "up for half an hour. Lamp: steady (direct current), not a mains tube that flickers; from the "
    "side, so that nothing glares on the plate.",
    "1  Still: 30 pictures, still-01, still-02, …": "Camera on a tripod or its tower, target "
    "clamped, turned by 25 deg, filling a seventh of the width. White just below full: 70 to 90 % "
    "of the largest grey value. Touch nothing; use a remote release. Wait ten seconds after the "
    "last step on the floor.",
    "2  Dim: 30 pictures, dim-01, …": "Nothing touched but the exposure time: a third. These two "
    "tell gain, black level, noise.",
    "3  Bright: 8 pictures, bright-01, …": "Nothing touched but the exposure time: three times "
    "that of the first. White saturates.",
    "4  Dark: 8 pictures, dark-01, …, if you can": "Exposure as in the first series, lens cap on. "
    "Flat frames of an evenly lit white paper out of focus, flat-01, …, do better than a target "
    "for gain.",
    "5  Views: 20 pictures, each its own name: left-far, corner-a, …": "Exposure as in the first "
    "series. Target in the middle, on each side and in each corner of the picture, at the "
    "nearest, a middle and the farthest range of use; turned by 20 to 45 deg, to either side; "
    "still while the shutter is open. Every fourth is held back.",
    "6  Bar: 10 pictures, or known moves, if you can": "Two targets of different ids screwed to "
    "one stiff bar, in many places of the picture and at several ranges: their distance mustn't "
    "change. In a folder of its own, for --rigid. Or one target before and after it is turned "
    "against a protractor or shifted by a shim: the two pictures' names and the known amount in a "
    "table, for --known.",
    "Then": "sightbench intrinsics with a board, without touching the lens; and sightbench "
    "characterise FOLDER --bay BAY.toml --calibration calibration.json",
}


def how_to_sheet(paper: str = "a4") -> Sheet:
    """Return the sheet; `TargetError` of a paper that isn't known."""
    size, name = paper_size(paper), paper_title(paper)
    frame = body_frame(size)
    top = frame.top - 6.0
    flow = Flow(frame.left, frame.top - HEAD, frame.width)
    flow.marks += [
        Text(frame.left, top, "Pictures that measure a camera", TITLE, bold=True),
        Text(frame.right, top, "sightbench characterise", SMALL, "end", tone=QUIET),
        Line(frame.left, top - 4.0, frame.right, top - 4.0, 2.0 * THIN),
        *foot(frame, 1, 1, name, MIND),
    ]
    for title, text in STEPS.items():
        flow.paragraph(title, STEP, bold_first=True, gap=3.5)
        flow.paragraph(text, READ, gap=0.5)
    page = page_of(size, tuple(flow.marks))
    return Sheet(f"How to take pictures that measure a camera, {name}", name, (page,))


def write_sheets(out: Path, papers: tuple[str, ...] = ("a4", "letter")) -> list[Path]:
    """Write the sheet for each paper as PDF; return the paths."""
    return write_papers(how_to_sheet, STEM, out, papers)
