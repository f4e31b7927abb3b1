import base64
import hashlib
import html
import io
import itertools
import json
import re

import numpy as np
import polars as pl
import pytest
from PIL import Image

from bench.cli.main import main
from bench.pages import as_json, as_script
from bench.report.run import find_bay, job_of_run, read_map
from bench.report.samples import choose_samples, sample_of
from bench.report.views import cell_views, noted_cards
from bench.survey.store import read_cases
from bench.survey.worker import case_of_row, picture_of_case


def numbers(text):
    return [float(n.replace("−", "-")) for n in re.findall(r"[−]?\d+\.?\d*(?:e[−+]?\d+)?", text)]


def test_the_numbers_of_every_cell_are_those_of_the_table(finished_map, report_page):
    data = report_page.data
    cells = pl.read_parquet(finished_map / "cells.parquet").to_dicts()
    assert len(data["cells"]) == len(cells)
    for shown, row in zip(data["cells"], cells, strict=True):
        facts = dict(zip(data["labels"], shown["facts"], strict=True))
        assert facts["cases"].split(";")[0] == str(row["n"])
        counts = {name: int(n) for n, name in re.findall(r"(\d+) ([a-z ]+)", facts["outcomes"])}
        assert counts.get("ok", 0) == row["n_ok"]
        assert sum(counts.values()) == row["n"]
        wanted = {
            "usable rate": [100 * row[f"usable_rate{end}"] for end in ("", "_lo", "_hi")],
            "detection rate": [100 * row[f"detection_rate{end}"] for end in ("", "_lo", "_hi")],
            "bound on the rotation, all pixels": [row["bound_rot_deg"]],
            "rotation error, median": [row["median_rot_deg"]],
            "rotation error, RMS": [row[f"rms_rot_deg{end}"] for end in ("", "_lo", "_hi")],
            "efficiency of the rotation": [row["efficiency_rot"] and 100 * row["efficiency_rot"]],
        }
        for label, values in wanted.items():
            if None in values:
                assert values[0] is not None or facts[label] == "none", label
                continue
            # two significant digits: half a unit of the last is at most 5 % of the value; of a
            # rate half a per cent
            factor = 3600.0 if "arcsec" in facts[label] else 1.0
            rate = "%" in facts[label]
            np.testing.assert_allclose(
                np.array(numbers(facts[label])[: len(values)]) / factor,
                values,
                rtol=0.0 if rate else 0.0501,
                atol=0.5001 if rate else 0.0,
                err_msg=label,
            )


def test_verdicts_are_words_of_the_limits_file(finished_map, report_page):
    limits = json.loads((finished_map / "limits.json").read_text())["value"]
    verdicts = {
        (c["pipeline"], c["range_m"], c["turn_deg"]): c["verdict"] for c in limits["cells"]
    }
    cells = pl.read_parquet(finished_map / "cells.parquet").to_dicts()
    for shown, row in zip(report_page.data["cells"], cells, strict=True):
        assert shown["verdict"] == verdicts[row["pipeline"], row["range_m"], row["turn_deg"]]
    assert {"holds", "fails"} <= {cell["verdict"] for cell in report_page.data["cells"]}


def test_every_cell_is_in_the_table_once_and_one_can_be_reached_by_tab(report_page):
    held = [td for td in report_page.of("td") if "data-cell" in td]
    indices = sorted(int(td["data-cell"]) for td in held)
    assert indices == list(range(len(report_page.data["cells"])))
    assert all(td["role"] == "gridcell" for td in held)


def test_a_page_asks_for_nothing_outside_itself(report_page):
    for element in report_page.elements:
        for name in ("src", "href", "data", "action"):
            value = element.get(name)
            if value and element["tag"] != "script":
                assert value.startswith(("data:", "#")), f"{element['tag']} {name}={value[:60]}"
    policy = next(e["content"] for e in report_page.of("meta") if "http-equiv" in e)
    assert "default-src 'none'" in policy


def test_the_policy_allows_the_page_s_own_style_and_script_by_their_hash_alone(report_text):
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]+)"', report_text)
    policy = html.unescape(policy)
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        # CSP level 2, hash-source: base64 of the SHA-256 of the element's text in UTF-8
        (text,) = re.findall(rf"<{tag}>(.*?)</{tag}>", report_text, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    # what such a policy would refuse
    markup = re.sub(r"<(style|script).*?</\1>", "", report_text, flags=re.DOTALL)
    assert not re.search(r"<[^>]+ (style|on[a-z]+)=", markup)


def test_three_sentences_say_how_far_with_which_pipeline_and_what_limits_it(
    finished_map, report_page
):
    first = [e["text"] for e in report_page.of("p") if "first" in e.get("class", "").split()]
    assert len(first) == 3
    limits = json.loads((finished_map / "limits.json").read_text())["value"]
    reached = [r["longest_range_m"] for r in limits["ranges"] if r["longest_range_m"]]
    best = [r for r in limits["ranges"] if r["longest_range_m"] == max(reached)]
    assert f"1 deg holds to {max(reached):g} m" in first[0]
    assert any(r["pipeline"] in first[0] for r in best)
    assert re.search(r"What limits it at [\d.]+ m, tilt \d+ deg: \d+ of 30 pictures", first[2])


def test_cells_worth_a_look_take_three_lines_of_two_digits(finished_map, report_page):
    run = read_map(finished_map)
    cards = noted_cards(run, cell_views(run, {}, {}))
    assert 0 < len(cards) <= 3 * len(run.pipelines)
    for card in cards:
        assert len(card.lines) == 3
        for number in re.findall(r"\d+\.\d+", " ".join(card.lines)):
            assert len(number.replace(".", "").lstrip("0")) <= 2
            assert number != "0.0"


def test_a_page_has_headings_in_order_landmarks_and_words_for_pictures(report_page):
    levels = [int(e["tag"][1]) for e in report_page.elements if re.fullmatch("h[1-6]", e["tag"])]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    for landmark in ("header", "nav", "main", "footer"):
        assert len(report_page.of(landmark)) == 1
    assert all(image["alt"] for image in report_page.of("img"))
    assert report_page.of("html")[0]["lang"] == "en"
    ids = [e["id"] for e in report_page.elements if "id" in e]
    assert len(ids) == len(set(ids))
    for element in report_page.elements:
        if element.get("href", "").startswith("#"):
            assert element["href"][1:] in ids
        for name in element.get("aria-labelledby", "").split():
            assert name in ids


def test_names_of_users_stay_text(report_text, report_page, nasty_name):
    assert "id='broken'>" not in report_text
    assert not [e for e in report_page.elements if e.get("id") == "broken"]
    assert report_page.of("h1")[0]["text"] == f"Report on {nasty_name}"
    # the data and the page's own script; one more would be somebody's name
    assert report_text.count("</script") == 2


@pytest.mark.parametrize("text", ["</script>", "<!--", "a\u2028b", "&lt;", "'\"\\"])
def test_json_in_a_page_can_end_nothing_and_reads_the_same(text):
    packed = str(as_json({"name": text}))
    assert json.loads(packed)["name"] == text
    assert not set("<>&\u2028") & set(packed)


def test_a_script_in_a_page_cant_end_it():
    assert "</script" not in as_script("a = '</script>'")


@pytest.mark.slow
def test_the_same_run_gives_the_same_bytes(finished_map, report_text, tmp_path):
    again = tmp_path / "report.html"
    words = ["report", str(finished_map), "--quiet", "--no-pdf", "--out", str(again)]
    assert main(words) == 0
    # the page names the command that made it
    here, there = (
        re.sub(r"--out \S+?report\.html", "--out", text)
        for text in (again.read_text(encoding="utf-8"), report_text)
    )
    assert here == there


def test_pictures_are_those_of_their_keys(finished_map, report_page):
    run = read_map(finished_map)
    job = job_of_run(run, find_bay(run, None))
    cases = {row["key"]: row for row in read_cases(finished_map).to_dicts()}
    data = report_page.data
    lossless = 0
    for cell in data["cells"]:
        for sample in cell["samples"]:
            row = cases[sample["key"]]
            url = data["pictures"][sample["picture"]]
            with Image.open(io.BytesIO(base64.b64decode(url.partition(",")[2]))) as image:
                grey = np.asarray(image.convert("RGB"))
            picture = picture_of_case(case_of_row(row, run.plan), job)
            assert grey.shape == (sample["height"], sample["width"], 3)
            if sample["lossless"]:
                np.testing.assert_array_equal(grey[..., 0], picture.grey8)
                lossless += 1
    assert lossless > 0


def test_points_found_lie_on_the_true_outline_of_the_pattern(report_page):
    near = 0
    for cell in report_page.data["cells"]:
        for sample in cell["samples"]:
            if "ok" in sample["words"]:
                corners = np.array(sample["edge"][0])
                found = np.array(sample["found"])
                assert found.shape == (4, 2)
                apart = np.linalg.norm(found[:, None] - corners[None], axis=2).min(axis=1)
                # a marker outlined by its outermost black pixels is up to a pixel too small
                # each way, and a corner's noise is well below one
                assert apart.max() < 2.0
                near += 1
    assert near > 0


def test_typical_is_nearest_to_the_median_and_worst_has_the_largest_error(finished_map):
    cases = read_cases(finished_map)
    for (pipeline, range_m, turn, pitch), sample in choose_samples(cases).items():
        cell = cases.filter(
            (pl.col("pipeline") == pipeline)
            & (pl.col("range_m") == range_m)
            & (pl.col("turn_deg") == turn)
            & (pl.col("pitch_deg") == pitch)
        )
        errors = cell.filter(pl.col("outcome") == "ok")["err_rot_deg"].to_numpy()
        if sample.typical is None:
            assert len(errors) == 0
            continue
        distance = np.abs(errors - np.median(errors))
        assert abs(sample.typical["err_rot_deg"] - np.median(errors)) == distance.min()
        failed = set(cell["outcome"]) - {"ok"}
        if failed:
            assert sample.worst["outcome"] in failed
        else:
            assert sample.worst["err_rot_deg"] == errors.max()


def test_the_worst_of_several_failures_is_the_one_where_nothing_was_seen():
    rows = pl.DataFrame(
        {
            "key": ["a", "b", "c", "d"],
            "outcome": ["ok", "ambiguous", "mirrored", "missed"],
            "err_rot_deg": [0.1, 9.0, 20.0, None],
        }
    )
    assert sample_of(rows).worst["key"] == "d"
    assert sample_of(rows.head(3)).worst["key"] == "c"
    assert sample_of(rows.tail(1)).typical is None
