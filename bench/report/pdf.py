"""The report as PDF, by WeasyPrint, which needs the system's Pango."""

from __future__ import annotations

import re

from bench.errors import RunError

PAGE = """
@page { size: A4; margin: 15mm 14mm 18mm;
  @bottom-center { content: counter(page) " / " counter(pages);
    font: 8pt "DejaVu Sans", sans-serif; } }
"""


def pdf(html: str) -> bytes:
    """Return a page for paper (`bench.report.page.paper_html`) as PDF.

    Nothing is fetched: what the page holds is all there is.

    Raises
    ------
    RunError
        WeasyPrint isn't installed, or a library of the system that it needs is missing.
    """
    try:
        from weasyprint import CSS, HTML  # type: ignore[import-untyped]
        from weasyprint.urls import URLFetcher  # type: ignore[import-untyped]
    except ImportError as error:
        raise RunError("the PDF needs WeasyPrint: pip install weasyprint, or --no-pdf") from error
    except OSError as error:  # cffi can't open Pango, or a library of it
        line = re.split(r"[\n:]", str(error))[0]
        raise RunError(
            f"the PDF needs Pango, which this system lacks ({line}): install it (Debian: "
            "libpango-1.0-0 and libpangoft2-1.0-0), or --no-pdf"
        ) from error
    document = HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=("data",))).render(
        stylesheets=[CSS(string=PAGE)]
    )
    document.metadata.created = document.metadata.modified = None
    return bytes(document.write_pdf(pdf_identifier=b"sightbench") or b"")
