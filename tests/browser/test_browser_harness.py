"""The watchers of the browser tests, on pages that have the faults they are to find."""

import pytest

GOOD = """<!doctype html><html lang="en"><head><title>Good</title></head>
<body><main><h1>Good</h1><p>Nothing is wrong here.</p></main></body></html>"""


@pytest.fixture
def page_of(tmp_path, visit):
    def open_text(text, **options):
        path = tmp_path / "page.html"
        path.write_text(text, encoding="utf-8")
        return visit(path.as_uri(), **options)

    return open_text


def test_a_page_without_faults_has_none(page_of, grave_faults, sticking_out):
    made = page_of(GOOD)
    assert grave_faults(made.page) == []
    assert sticking_out(made.page) == []
    assert made.outside(made.page.url) == []


def test_errors_and_requests_of_a_page_are_noted(page_of):
    made = page_of(
        GOOD.replace(
            "</main>",
            "</main><img alt='' src='http://127.0.0.1:9/a.png'>"
            "<script>setTimeout(() => { throw new Error('late') }, 0);</script>",
        )
    )
    made.page.wait_for_timeout(100)
    assert made.outside(made.page.url) == ["http://127.0.0.1:9/a.png"]
    assert any("late" in error for error in made.errors)
    assert any("ERR_" in line for line in made.console)  # nobody listens there
    made.errors.clear()
    made.console.clear()


def test_wide_elements_are_found_unless_they_scroll_in_a_box(page_of, sticking_out):
    wide = "<div id='wide' style='width: 900px'>wide</div>"
    bare = page_of(GOOD.replace("</main>", f"{wide}</main>"), size=(360, 700))
    assert any("div#wide" in fault for fault in sticking_out(bare.page))
    boxed = page_of(
        GOOD.replace("</main>", f"<div style='overflow-x: auto' tabindex=0>{wide}</div></main>"),
        size=(360, 700),
    )
    assert sticking_out(boxed.page) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "rule"),
    [
        ("<img src='data:image/gif;base64,R0lGODlhAQABAAAAACwAAAAAAQABAAA='>", "image-alt"),
        ("<p style='color: #bbb; background: #fff'>pale</p>", "color-contrast"),
        ("<input type='text'>", "label"),
    ],
    ids=["picture without words", "pale text", "field without a name"],
)
def test_grave_faults_of_access_are_found(page_of, grave_faults, fault, rule):
    made = page_of(GOOD.replace("</main>", f"{fault}</main>"))
    assert any(rule in line for line in grave_faults(made.page))
