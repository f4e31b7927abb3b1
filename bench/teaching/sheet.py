"""Contact sheets of teaching pictures, for printing and for slides; and the moving tilt sweep."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from PIL import Image

from bench import __version__
from bench.draw import style
from bench.draw.prints import save_print
from bench.files import make_directory, remove_files, write_atomically
from bench.scene.model import Bay
from bench.teaching.captions import Captions
from bench.teaching.card import DPI, HEIGHT, WIDTH, card_figure, draw_card
from bench.teaching.scenes import SWEEP_NAME, SWEEP_SET
from bench.teaching.trials import Illustrated

FRAME_MS, REST_MS = 450, 1500  # of a frame of the sweep, and of its last


@dataclass(frozen=True)
class Shape:
    """A page: its size in inches, and how many cards it holds across and down."""

    width: float
    height: float
    across: int
    down: int


SHAPES: dict[str, Shape] = {
    "a4": Shape(8.27, 11.69, 1, 3),  # ISO 216
    "letter": Shape(8.5, 11.0, 1, 3),  # ANSI/ASME Y14.1
    # 16:9, one card in type that a whole room reads; 1920 x 1080 dots, so that a pixel of the
    # camera is one of a full-HD projector
    "slide": Shape(1920 / DPI, 1080 / DPI, 1, 1),
}


def sheets(
    shown: Sequence[Illustrated],
    shape: Shape,
    bay: Bay,
    captions: Captions,
    values: Mapping[str, str],
) -> list[Figure]:
    """Return the pages of one set's contact sheet.

    Parameters
    ----------
    shown : sequence of Illustrated
        Of one set.
    shape : Shape
        Of the pages.
    bay, captions : Bay, Captions
        Whose, and in what words.
    values : mapping of str to str
        Placeholders of the footer.
    """
    per_page = shape.across * shape.down
    pages = math.ceil(len(shown) / per_page)
    name = shown[0].scene.set
    figures = []
    for page in range(pages):
        figure = style.new_figure(shape.width, shape.height, DPI)
        left = 0.5 * (shape.width - shape.across * WIDTH)
        foot = 0.5 * (shape.height - shape.down * HEIGHT - 0.25)
        top = foot + shape.down * HEIGHT
        for i, one in enumerate(shown[page * per_page : (page + 1) * per_page]):
            row, column = divmod(i, shape.across)
            draw_card(
                figure, (left + column * WIDTH, top - (row + 1) * HEIGHT), one, bay, captions
            )
        x = (left + 0.15) / shape.width
        heading = (captions.texts[f"set.{name}.title"], captions.texts[f"set.{name}.text"])
        figure.text(x, (top + 0.24) / shape.height, heading[0], size=15, weight="bold")
        figure.text(x, (top + 0.08) / shape.height, heading[1], size=style.NORMAL)
        said = dict(values) | {"page": str(page + 1), "pages": str(pages)}
        figure.text(
            x,
            0.4 * foot / shape.height,
            captions.say("words.sheet", said),
            size=style.SMALL - 1.5,
            color=style.MUTED,
        )
        figures.append(figure)
    return figures


def save_pages(figures: Sequence[Figure], directory: Path, stem: str) -> list[Path]:
    """Write pages as ``STEM-N.png``, ``STEM-N.svg`` and one ``STEM.pdf``; no N for a single one.

    Raises
    ------
    RunError
        A file can't be written.
    """
    if len(figures) == 1:
        return save_print(figures[0], directory, stem)
    written = []
    for number, figure in enumerate(figures, start=1):
        png, svg, alone = save_print(figure, directory, f"{stem}-{number}")
        remove_files([alone])
        written += [png, svg]
    maker = f"sightbench {__version__}"
    facts = {"Creator": maker, "Producer": maker, "CreationDate": None}
    buffer = io.BytesIO()
    with style.applied():
        matplotlib.rcParams["pdf.fonttype"] = 42  # text stays text
        with PdfPages(buffer, metadata=facts) as pdf:
            for figure in figures:
                pdf.savefig(figure)
    path = directory / f"{stem}.pdf"
    write_atomically(path, buffer.getvalue())
    return [*written, path]


def save_sweep(frames: Sequence[Illustrated], bay: Bay, captions: Captions, path: Path) -> Path:
    """Write the tilt sweep as an animated GIF, once through and back; return `path`.

    Raises
    ------
    RunError
        It can't be written.
    """
    pictures = []
    with style.applied():
        for shown in frames:
            figure = card_figure(shown, bay, captions, f"{SWEEP_SET}.{SWEEP_NAME}")
            buffer = io.BytesIO()
            figure.savefig(buffer, format="png", dpi=figure.dpi)
            pictures.append(Image.open(buffer).convert("RGB"))
    # one palette for all frames, or greys would flicker from one to the next; the first, the
    # middle and the last one have all colours
    width, height = pictures[0].size
    some = Image.new("RGB", (width, 3 * height), "white")
    for i, frame in enumerate((pictures[0], pictures[len(pictures) // 2], pictures[-1])):
        some.paste(frame, (0, i * height))
    palette = some.quantize(128)
    still = [p.quantize(palette=palette, dither=Image.Dither.NONE) for p in pictures]
    order = still + still[-2:0:-1]
    waits = [FRAME_MS] * len(order)
    waits[len(still) - 1] = REST_MS
    waits[0] = REST_MS
    buffer = io.BytesIO()
    order[0].save(buffer, "GIF", save_all=True, append_images=order[1:], duration=waits, loop=0)
    make_directory(path.parent)
    write_atomically(path, buffer.getvalue())
    return path
