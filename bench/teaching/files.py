"""Teaching pictures as files: slides, cards, handouts, notes, the moving picture, sidecars."""

from __future__ import annotations

import io
import json
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib.artist import Artist
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch, Patch
from matplotlib.text import Annotation, Text
from PIL import Image

from bench import __version__
from bench.draw import style
from bench.draw.prints import FORMATS, save_print
from bench.files import files_in, make_directory, read_text, write_atomically
from bench.parsing import parse_json
from bench.provenance import library_versions
from bench.scene.model import Bay
from bench.teaching.captions import Captions
from bench.teaching.illustration import Making
from bench.teaching.scenes import OWN_SET, SWEEP_NAME, SWEEP_SET
from bench.teaching.slide import SLIDE, card_figure, draw_slide, slide_figure, wrapped
from bench.teaching.steepest import advice_figure, advice_of, advice_words
from bench.teaching.trials import Illustrated, Rows
from bench.teaching.words import Said, said, sentence

FRAME_MS, REST_MS = 550, 1500  # of a frame of the sweep, and of its ends
SWEEP = f"{SWEEP_SET}.{SWEEP_NAME}"
_MAKER = f"sightbench {__version__}"
# Width and height of a handout's pages, inches: ISO 216, ANSI/ASME Y14.1.
SHAPES = {"a4": (8.27, 11.69), "letter": (8.5, 11.0)}
NOTES, EDGE = 1.15, 0.35  # room for a slide's notes, and a page's margin, inches
RULES = 10


@dataclass(frozen=True)
class Job:
    """What a command was asked for, and where its files go.

    Attributes
    ----------
    out : Path
        Their folder.
    bay_file, scenes_file, captions_file : Path or None
        The trainer's own.
    place : Bay
        Read from it.
    making : Making
        With what pictures are computed.
    language : str
        Of the captions.
    captions : Captions
        In these words.
    """

    out: Path
    bay_file: Path | None
    place: Bay
    making: Making
    language: str
    captions: Captions
    scenes_file: Path | None = None
    captions_file: Path | None = None

    def command(self, set_name: str, case: str | None, *more: str) -> str:
        """Return the command that makes exactly this picture in a folder DIR."""
        words = ["sightbench", "illustrate", *([] if self.bay_file is None else [self.bay_file])]
        words += ["--set", set_name, *([] if case is None else ["--case", case]), *more]
        words += ["--pipeline", self.making.pipeline, "--trials", self.making.trials]
        words += ["--seed", self.making.seed, "--language", self.language]
        words += ["--as-drawn"] if self.making.as_drawn else []
        words += [] if self.scenes_file is None else ["--scenes", self.scenes_file]
        words += [] if self.captions_file is None else ["--captions", self.captions_file]
        return shlex.join([*map(str, words), "--out", "DIR"])


def stored_cases(out: Path) -> dict[str, Rows]:
    """Return the cases of all sidecars in a folder by what they are made of, to go on from."""
    found: dict[str, Rows] = {}
    for path in files_in(out, "*.json") if out.is_dir() else ():
        try:
            content = parse_json(read_text(path))
        except Exception:  # somebody else's file, or a damaged one: computed again
            continue
        for one in content.get("pictures", ()) if isinstance(content, dict) else ():
            if isinstance(one, dict) and one.get("made_of") and one.get("cases"):
                found[str(one["made_of"])] = one["cases"]
    return found


def illustration_bytes(shown: Illustrated, bay: Bay, captions: Captions) -> bytes:
    """Return a view's card as a PNG's bytes, which depend on the arguments alone."""
    with style.applied():
        return style.png(card_figure(shown, bay, captions))


def illustration_record(
    shown: Illustrated, bay: Bay, captions: Captions, command: str
) -> dict[str, Any]:
    """Return a card's sidecar: where each number comes from, and the command for it."""
    return _sidecar(command, bay, [record(shown, said(shown, bay, captions))])


def _sidecar(command: str, bay: Bay, pictures: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "command": command,
        "bay": {"name": bay.name, "digest": bay.digest},
        "versions": dict(library_versions()),
        "pictures": pictures,
    }


def record(shown: Illustrated, texts: Said) -> dict[str, Any]:
    """Return what a sidecar says of one view; the same for the same view."""
    return {
        "set": shown.scene.set,
        "case": shown.scene.name,
        "scene": shown.scene.content,
        "view": {
            "tower": shown.tower,
            "target": shown.setting.target.name,
            "range_m": shown.range_m,
            "tilt_deg": shown.tilt_deg,
            "turn_deg": shown.turn_deg,
            "pitch_deg": shown.pitch_deg,
            "size_px": shown.size_px,
            "margin_px": shown.margin_px,
        },
        "pipeline": shown.pipeline,
        "seed": shown.seed,
        "numbers": shown.numbers,
        "error_deg": texts.error_deg,
        "interval_deg": [texts.low_deg, texts.high_deg],
        "tolerance_deg": texts.tolerance_deg,
        "verdict": texts.verdict,
        "outcome": texts.outcome,
        "texts": {
            name: getattr(texts, name)
            for name in ("title", "mark", "headline", "numbers", "lesson", "more", "why")
        },
        "picture_of": shown.cases[0]["key"] if shown.scene.set == OWN_SET else "nominal view",
        "made_of": shown.made_of,
        "cases": list(shown.cases),
        "digests": shown.digests,
    }


def write_picture(shown: Illustrated, job: Job) -> list[Path]:
    """Write a slide, or the card of a good view, with its sidecar; skip one that is there.

    Raises
    ------
    RunError
        A file can't be written.
    """
    bay, captions, stem = job.place, job.captions, f"{shown.scene.set}-{shown.scene.name}"
    command = job.command(shown.scene.set, shown.scene.name)
    if shown.reference is None:
        pictures = [record(shown, said(shown, bay, captions))]
    else:
        pictures = [
            record(shown.reference, said(shown.reference, bay, captions, about=shown)),
            record(shown, said(shown, bay, captions)),
        ]
    text = _json(_sidecar(command, bay, pictures))
    sidecar = job.out / f"{stem}.json"
    files = [job.out / f"{stem}.{kind}" for kind in FORMATS]
    if all(f.exists() for f in (*files, sidecar)) and sidecar.read_bytes() == text:
        return [*files, sidecar]
    with style.applied():
        draw = card_figure if shown.reference is None else slide_figure
        written = save_print(draw(shown, bay, captions), job.out, stem)
    write_atomically(sidecar, text)
    return [*written, sidecar]


def write_handout(shown: Sequence[Illustrated], shape: str, job: Job) -> Path:
    """Write a set's slides, two a page with their notes, as one PDF; return its path.

    Raises
    ------
    RunError
        It can't be written.
    """
    name = shown[0].scene.set
    values = {
        "bay": job.place.name,
        "target": shown[-1].setting.target.name,
        "pipeline": job.making.pipeline,
        "seed": str(job.making.seed),
        "version": __version__,
        "pages": str(-(-len(shown) // 2)),
    }
    facts = {"Creator": _MAKER, "Producer": _MAKER, "CreationDate": None}
    buffer = io.BytesIO()
    with style.applied():
        matplotlib.rcParams["pdf.fonttype"] = 42  # text stays text
        with PdfPages(buffer, metadata=facts) as pdf:
            for page in range(0, len(shown), 2):
                values["page"] = str(page // 2 + 1)
                foot = job.captions.say("words.sheet", values)
                pdf.savefig(_page(shown[page : page + 2], SHAPES[shape], foot, job))
    path = job.out / f"{name}-{shape}.pdf"
    write_atomically(path, buffer.getvalue())
    return path


def _page(shown: Sequence[Illustrated], size: tuple[float, float], foot: str, job: Job) -> Figure:
    """Return a page: drawn as large as slides are, then made smaller as a whole."""
    across = (size[0] - 2 * EDGE) / SLIDE[0]
    scale = min(across, ((size[1] - 2.5 * EDGE) / 2 - NOTES) / SLIDE[1])
    width, height = size[0] / scale, size[1] / scale
    figure = style.new_figure(width, height)
    left = 0.5 * (width - SLIDE[0])
    for k, one in enumerate(shown):
        low = height - EDGE / scale - (k + 1) * SLIDE[1] - k * NOTES / scale
        draw_slide(figure, (left, low), one, job.place, job.captions)
        said_of = said(one, job.place, job.captions)
        lines = wrapped(f"{said_of.more} {said_of.why}".strip(), SLIDE[0] - 0.3, 9.5)
        figure.text((left + 0.15) / width, (low - 0.05) / height, "\n".join(lines), size=9.5,
                    va="top", linespacing=1.2)  # fmt: skip
    for k in range(RULES if len(shown) == 1 else 0):  # room to write, where no slide stands
        y = (0.1 + 0.38 * k / RULES,) * 2
        x = ((left + 0.15) / width, (left + SLIDE[0] - 0.15) / width)
        figure.add_artist(Line2D(x, y, color=style.FAINT, lw=0.8))
    figure.text((left + 0.15) / width, 0.6 * EDGE / scale / height, foot, size=8,
                color=style.MUTED)  # fmt: skip
    figure.set_size_inches(*size)
    for artist in figure.findobj():
        _shrink(artist, scale)
    return figure


def _shrink(artist: Artist, scale: float) -> None:
    if isinstance(artist, Text):
        artist.set_fontsize(float(artist.get_fontsize()) * scale)
        if isinstance(artist, Annotation) and artist.arrow_patch is not None:
            artist.arrow_patch.set_linewidth(artist.arrow_patch.get_linewidth() * scale)
    elif isinstance(artist, Line2D):
        artist.set(
            linewidth=artist.get_linewidth() * scale,
            markersize=artist.get_markersize() * scale,
            markeredgewidth=artist.get_markeredgewidth() * scale,
        )
    elif isinstance(artist, Patch) and not isinstance(artist, FancyArrowPatch):
        artist.set_linewidth(artist.get_linewidth() * scale)


def write_notes(shown: Sequence[Illustrated], job: Job) -> Path:
    """Write a set's notes for the speaker as text; return its path.

    Raises
    ------
    RunError
        It can't be written.
    """
    texts = job.captions.texts
    name = shown[0].scene.set
    lines = [texts.get(f"set.{name}", name), texts["words.ask"], ""]
    for one in shown:
        assert one.reference is not None  # notes are of slides
        good = said(one.reference, job.place, job.captions, about=one)
        bad = said(one, job.place, job.captions)
        figures = {texts["words.good"]: good, texts["words.bad"]: bad}
        spoken = " ".join(sentence(text) for text in (bad.lesson, bad.more, bad.why) if text)
        lines += [
            f"{bad.title} ({name}-{one.scene.name}.png)",
            *(f"  {texts['words.show']}, {k}: {v.mark}" for k, v in figures.items()),
            f"  {texts['words.say']}: {spoken}",
            *(
                f"  {texts['words.figures']}, {k}: {v.headline}. {v.numbers}."
                for k, v in figures.items()
            ),
            "",
        ]
    path = job.out / f"{name}-notes.txt"
    write_atomically(path, "\n".join(lines).encode())
    return path


def save_frames(frames: Sequence[Illustrated], job: Job) -> Path:
    """Write the sidecar of the sweep's frames so far; return its path."""
    bay, words = job.place, job.captions
    pictures = [record(one, said(one, bay, words, SWEEP)) for one in frames]
    path = job.out / f"{SWEEP_SET}-{SWEEP_NAME}.json"
    write_atomically(path, _json(_sidecar(job.command(SWEEP_SET, SWEEP_NAME), bay, pictures)))
    return path


def write_sweep(frames: Sequence[Illustrated], job: Job) -> tuple[list[Path], str]:
    """Write the moving picture and the advice from it; return the files and the advice.

    Raises
    ------
    RunError
        A file can't be written.
    """
    with style.applied():
        figure = advice_figure(frames, job.place, job.captions)
    lesson, _ = advice_words(frames, advice_of(frames, job.place), job.place, job.captions)
    written = save_print(figure, job.out, f"{SWEEP_SET}-steepest")
    return [*written, save_sweep(frames, job), save_frames(frames, job)], lesson


def save_sweep(frames: Sequence[Illustrated], job: Job) -> Path:
    """Write the tilt sweep as an animated GIF, once through and back; return its path."""
    pictures = []
    with style.applied():
        for shown in frames:
            card = style.png(card_figure(shown, job.place, job.captions, SWEEP))
            pictures.append(Image.open(io.BytesIO(card)).convert("RGB"))
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
    waits[0] = waits[len(still) - 1] = REST_MS
    buffer = io.BytesIO()
    order[0].save(buffer, "GIF", save_all=True, append_images=order[1:], duration=waits, loop=0)
    make_directory(job.out)
    path = job.out / f"{SWEEP_SET}-{SWEEP_NAME}.gif"
    write_atomically(path, buffer.getvalue())
    return path


def _json(content: dict[str, Any]) -> bytes:
    return json.dumps(_plain(content), indent=1, ensure_ascii=False, allow_nan=False).encode()


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(name): _plain(v) for name, v in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(v) for v in value]
    return None if isinstance(value, float) and value != value else value
