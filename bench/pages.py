"""HTML pages of one file: templates, their common style, and a content security policy by hash."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from bench import __version__
from bench.assets import asset

FOLDER = "report"
# What would end a script element or an attribute, written so that JSON reads the same.
ESCAPES = {
    "<": "\\u003c",
    ">": "\\u003e",
    "&": "\\u0026",
    "\u2028": "\\u2028",
    "\u2029": "\\u2029",
}


def rendered(
    template: str,
    content: Mapping[str, Any],
    styles: Sequence[str] = (),
    scripts: Sequence[str] = (),
    *,
    paper: bool = False,
) -> str:
    """Return a page: one file that asks for nothing else.

    Parameters
    ----------
    template : str
        Name of one that extends ``shell.html.j2``.
    content : mapping
        What it shows, escaped where it isn't `Markup`.
    styles, scripts : sequence of str
        Added to the common style; run at the end of the page. The policy allows them by their
        hashes and nothing else, so that templates hold no style attribute and no handler.
    paper : bool
        Whether it is to be printed; it has neither scripts nor a policy then.
    """
    style = as_script("\n".join((text_of("page.css"), *styles)))
    run = [as_script(text) for text in scripts]
    allowed = " ".join(map(_hash, run)) or "'none'"
    policy = [
        "default-src 'none'",
        "img-src data:",
        f"style-src {_hash(style)}",
        f"script-src {allowed}",
        "base-uri 'none'",
        "form-action 'none'",
    ]
    shell = {
        "paper": paper,
        "policy": "; ".join(policy),
        "style": Markup(style),
        "scripts": [] if paper else list(map(Markup, run)),
        "version": __version__,
    }
    return environment().get_template(template).render({**content, **shell})


def as_json(value: Any) -> Markup:
    """Return JSON that can stand in a script element, whatever its texts hold."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for character, escape in ESCAPES.items():
        text = text.replace(character, escape)
    return Markup(text)


def as_script(text: str) -> str:
    """Return a script or style that can stand in its element."""
    for end in ("script", "style"):
        text = text.replace(f"</{end}", f"<\\/{end}")
    return text.replace("<!--", "<\\!--")


def environment() -> Environment:
    """Return the environment of the pages' templates."""
    return Environment(
        loader=FunctionLoader(text_of),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def text_of(name: str) -> str:
    """Return one of the pages' assets."""
    return asset(f"{FOLDER}/{name}").read_text(encoding="utf-8")


def data_url(kind: str, content: bytes) -> str:
    """Return a file's content as an address that carries it (RFC 2397)."""
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"


def _hash(text: str) -> str:
    """Return a source expression of CSP level 2 (W3C, hash-source) for an element's text."""
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"
