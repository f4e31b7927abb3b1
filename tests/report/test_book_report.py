"""A bay book as one page to hand over."""

import re

import pypdfium2

from bench.assets import asset
from bench.cli.main import main
from bench.scene.load import SHIPPED_BAY
from bench.setting_out.cautions import CAUTIONS


def start(folder):
    folder.mkdir()
    (folder / "bay.toml").write_bytes(asset(SHIPPED_BAY).read_bytes())
    assert main(["bay", str(folder / "bay.toml"), "--out", str(folder / "bay")]) == 0
    return folder


def test_a_book_without_a_map_becomes_a_page_and_a_pdf(tmp_path, capsys):
    folder = start(tmp_path / "book")
    (folder / "site").mkdir()
    (folder / "site" / "half.json").write_text("{")
    assert main(["report", str(folder), "--quiet"]) == 0
    page = (folder / "report.html").read_text()
    assert "1 of 11 stages done" in page
    for term, words in CAUTIONS:
        assert term in page
        assert words[:40].replace("'", "&#39;") in page
    for words in ("Decision rules", "ISO 14253-1", "Accepted by", "Signature", "half.json"):
        assert words in page
    assert not re.search(r"(src|href)=.https?:", page)
    paper = pypdfium2.PdfDocument(folder / "report.pdf")
    text = "".join(one.get_textpage().get_text_range() for one in paper)
    for words in ("Bay file checked", "Accepted by", "Local codes"):
        assert words in text


def test_the_book_knows_its_report_and_when_it_is_out_of_date(tmp_path, capsys):
    folder = start(tmp_path / "book")
    assert main(["report", str(folder), "--no-pdf", "--quiet"]) == 0
    capsys.readouterr()
    assert main(["book", str(folder)]) == 0
    assert "written from what lies here" in capsys.readouterr().out
    text = (folder / "bay.toml").read_text()
    (folder / "bay.toml").write_text(text.replace('standoff = "2.45 m"', 'standoff = "2.5 m"'))
    assert main(["book", str(folder)]) == 1
    said = capsys.readouterr().out
    assert "report.html shows an earlier state" in said
    assert main(["report", str(folder), "--no-pdf", "--quiet"]) == 1
    assert "out of date" in (folder / "report.html").read_text()


def test_names_in_a_book_cannot_end_its_page(tmp_path):
    folder = start(tmp_path / "book")
    path = folder / "bay.toml"
    name = "Bay </script><b id='broken'>"
    path.write_text(path.read_text().replace('name = "Training workshop"', f'name = "{name}"'))
    (folder / "<i id='odd'>.json").write_text("{")
    assert main(["report", str(folder), "--no-pdf", "--quiet"]) == 1
    page = (folder / "report.html").read_text()
    assert "<b id=" not in page
    assert "<i id=" not in page


def test_a_book_finds_its_results_itself(tmp_path, capsys):
    folder = start(tmp_path / "book")
    assert main(["report", str(folder), "--siting", str(folder)]) == 2
    assert "finds its results itself" in capsys.readouterr().err
