import builtins
import sys

import numpy as np
import pypdfium2
import pytest

from bench.cli.main import main
from bench.report.pdf import pdf

pytestmark = pytest.mark.slow


def is_pango_here():
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError):
        return False
    return True


def lowest_ink(page):
    """Return how far down a page there is ink above its number, as a share of its height."""
    grey = np.asarray(page.render(scale=0.5).to_pil().convert("L"))
    # the number stands in the lower 18 mm of 297
    body = grey[: round(len(grey) * (1.0 - 18.0 / 297.0))]
    return np.flatnonzero((body < 200).any(axis=1)).max() / len(body)


def report(run, out, *arguments):
    return main(["report", str(run), "--quiet", "--out", str(out), *arguments])


@pytest.mark.slow
@pytest.mark.skipif(not is_pango_here(), reason="WeasyPrint or the system's Pango is missing")
def test_the_pdf_says_what_the_page_says(finished_map, report_page, tmp_path, nasty_name):
    assert report(finished_map, tmp_path) == 0
    document = pypdfium2.PdfDocument(tmp_path / "report.pdf")
    pages = [page.get_textpage().get_text_range() for page in document]
    width, height = document[0].get_size()
    filled = [lowest_ink(page) for page in document]
    document.close()
    # what can't be parted is at most half a page high; the last page ends where it ends
    assert min(filled[:-1]) > 0.5
    # A4 in points, 210 mm x 297 mm, to the point
    assert (round(width), round(height)) == (595, 842)
    text = " ".join(" ".join(pages).split())
    assert nasty_name.split("<")[0].strip() in text
    for heading in report_page.of("h2"):
        assert heading["text"] in text
    for item in ("plan's digest", "Cramér-Rao", "Typical case", "Worst case"):
        assert item in text
    limits = [e["text"] for e in report_page.of("strong") if e["text"].startswith("holds to")]
    assert limits
    assert all(words in text for words in limits)


@pytest.mark.skipif(not is_pango_here(), reason="WeasyPrint or the system's Pango is missing")
def test_the_same_page_gives_the_same_pdf():
    page = "<!doctype html><title>A</title><h1>A</h1><p>text <svg width='9' height='9'></svg>"
    assert pdf(page) == pdf(page)


@pytest.mark.skipif(not is_pango_here(), reason="WeasyPrint or the system's Pango is missing")
def test_a_pdf_fetches_nothing(tmp_path):
    (tmp_path / "secret.txt").write_text("hidden words")
    address = (tmp_path / "secret.txt").as_uri()
    made = pdf(f"<!doctype html><title>A</title><p>seen</p><object data='{address}'></object>")
    document = pypdfium2.PdfDocument(made)
    text = document[0].get_textpage().get_text_range()
    document.close()
    assert "seen" in text
    assert "hidden" not in text


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ImportError("No module named 'weasyprint'"), "pip install weasyprint"),
        (OSError("cannot load library 'libpango-1.0-0': no such file\nmore"), "needs Pango"),
    ],
    ids=["no WeasyPrint", "no Pango"],
)
def test_without_its_library_the_page_is_written_and_one_line_says_why(
    finished_map, tmp_path, monkeypatch, capsys, error, said
):
    real = builtins.__import__

    def refuse(name, *arguments, **keywords):
        if name.split(".")[0] == "weasyprint":
            raise error
        return real(name, *arguments, **keywords)

    for name in [n for n in sys.modules if n.split(".")[0] == "weasyprint"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(builtins, "__import__", refuse)
    assert report(finished_map, tmp_path, "--no-pictures") == 2
    complaint = capsys.readouterr().err
    assert said in complaint
    assert complaint.count("\n") == 1
    assert (tmp_path / "report.html").stat().st_size > 0
    assert not (tmp_path / "report.pdf").exists()
