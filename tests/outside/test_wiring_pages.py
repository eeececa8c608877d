"""The wiring page in a real browser: on screen at three widths, its ticks, and printed on two papers.

Debian's Chromium lays the pages out, all in one run, each in a frame of its
own; a script appended by the test measures them, and what it found is read
back from the document.
"""

from __future__ import annotations

import html
import json
import re
from pathlib import Path
from typing import Any

import pytest

from buildkit import wiring
from tests.outside.page_checks import (
    NAMES,
    PAPERS_PT,
    chromium,
    marked,
    page_size,
    pages,
    tool,
    uncut,
)
from tests.wiring_builds import EXAMPLES, example

pytestmark = pytest.mark.slow

SCREENS_PX = (794, 816)  # A4 and Letter at 96 px an inch
TELEPHONE_PX = 400

MEASURE = """
<script>
window.addEventListener("load", function () {
  function rect(e) { var r = e.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; }
  function list(q, e) { return Array.prototype.slice.call((e || document).querySelectorAll(q)); }
  function rgb(s) { return (s.match(/[\\d.]+/g) || []).map(Number); }
  function ground(e) {
    for (; e; e = e.parentElement) {
      var c = rgb(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] > 0) { return c.slice(0, 3); }
    }
    return [255, 255, 255];
  }
  function under(svg, text) {
    var r = rect(text), x = (r[0] + r[2]) / 2, y = (r[1] + r[3]) / 2, found = [255, 255, 255];
    list("rect", svg).forEach(function (box) {
      var b = rect(box);
      if (b[0] <= x && x <= b[2] && b[1] <= y && y <= b[3]) { found = rgb(getComputedStyle(box).fill); }
    });
    return found;
  }
  var wide = document.documentElement.clientWidth;
  var found = {
    width: wide, scroll: document.documentElement.scrollWidth,
    overflowing: list("body *").filter(function (e) {
      var r = e.getBoundingClientRect();
      return r.width && (r.left < -0.5 || r.right > wide + 0.5 || (e.scrollWidth > e.clientWidth + 1 && e.clientWidth));
    }).map(function (e) { return e.tagName + ": " + e.textContent.slice(0, 60); }),
    pictures: list("svg").map(function (svg) {
      return list("text", svg).map(function (t) { return [t.textContent].concat(rect(t)); });
    }),
    colours: list("h1,h2,h3,p,li,td,th,dt,dd,b,.tag").filter(function (e) { return e.textContent.trim(); }).map(function (e) {
      return [e.textContent.slice(0, 30), rgb(getComputedStyle(e).color), ground(e)];
    }),
    inks: [].concat.apply([], list("svg").map(function (svg) {
      return list("text", svg).map(function (t) { return [t.textContent, rgb(getComputedStyle(t).fill), under(svg, t)]; });
    })),
    alive: window.pwned === undefined && parent.pwned === undefined
  };
  parent.tell(window.name, found);
});
</script>
"""
COLLECT = """
<script>
var found = {};
function tell(name, what) { found[name] = what; }
window.addEventListener("load", function () {
  var out = document.createElement("pre");
  out.id = "measured";
  out.textContent = "MEASURED" + JSON.stringify(found) + "ENDMEASURED";
  document.body.appendChild(out);
});
</script>
"""

Measured = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Measured:
    """What the browser measured, by name and width of the page."""
    folder = tmp_path_factory.mktemp("measured")
    frames = [
        f'<iframe name="{name} {width}" style="width:{width}px;height:1100px;border:0" '
        f'srcdoc="{html.escape(pages()[name].replace("</body>", MEASURE + "</body>"))}"></iframe>'
        for name in NAMES
        for width in (*SCREENS_PX, TELEPHONE_PX)
    ]
    file = folder / "all.html"
    text = f"<!doctype html><meta charset=utf-8>{COLLECT}<body>{''.join(frames)}</body>"
    file.write_text(text, encoding="utf-8")
    dom = chromium(folder / "profile", "--virtual-time-budget=20000", "--dump-dom", file.as_uri())
    told = re.search(r'<pre id="measured">MEASURED(.*)ENDMEASURED</pre>', dom, re.DOTALL)
    assert told, dom[-2000:]
    found: Measured = json.loads(html.unescape(told[1]))
    return found


CASES = [(name, width) for name in NAMES for width in SCREENS_PX]


@pytest.mark.parametrize(("name", "width"), CASES)
def test_nothing_is_wider_than_the_page(measured: Measured, name: str, width: int) -> None:
    page = measured[f"{name} {width}"]
    assert page["width"] in (width, width - 15)  # less a scroll bar where there is one
    assert page["scroll"] <= page["width"]
    assert page["overflowing"] == []
    assert page["alive"]


@pytest.mark.parametrize(("name", "width"), CASES)
def test_no_text_of_a_picture_lies_on_another(measured: Measured, name: str, width: int) -> None:
    pictures = measured[f"{name} {width}"]["pictures"]
    assert pictures
    for texts in pictures:
        assert len(texts) > 5
        for index, (one, left, top, right, bottom) in enumerate(texts):
            assert right > left, one
            for other, left_2, top_2, right_2, bottom_2 in texts[index + 1 :]:
                # The box of a line holds its leading too: lines of one paragraph, or of two
                # upright labels side by side, touch by a px.
                beside = min(right, right_2) - max(left, left_2) <= 1.5
                above = min(bottom, bottom_2) - max(top, top_2) <= 1.5
                assert beside or above, (one, other)


def _luminance(rgb: list[float]) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [c / 255 for c in rgb[:3]]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", ["colours", "inks"])
def test_all_text_has_the_contrast_that_wcag_aa_asks_for(
    measured: Measured, name: str, kind: str
) -> None:
    colours = measured[f"{name} 794"][kind]
    assert len(colours) > 50
    if kind == "inks":
        assert any(ground != [255, 255, 255] for _, _, ground in colours)
    for text, ink, ground in colours:
        light, dark = sorted((_luminance(ink), _luminance(ground)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, text


@pytest.mark.parametrize("name", NAMES)
def test_a_telephone_scrolls_the_tables_and_not_the_page(measured: Measured, name: str) -> None:
    page = measured[f"{name} {TELEPHONE_PX}"]
    assert TELEPHONE_PX - 15 <= page["width"] <= TELEPHONE_PX
    assert page["scroll"] <= page["width"]


# --- ticks -------------------------------------------------------------------------

TELL = """<script>window.addEventListener("load", function () {
  var box = document.getElementById("s1");
  document.title = "ticked " + document.querySelectorAll("input:checked").length + " " + box.checked;
  if (!box.checked) { box.click(); }
});</script>"""


def test_a_tick_outlives_a_reload(tmp_path: Path) -> None:
    page = pages()["kitchen-hood"].replace("</body>", TELL + "</body>")
    file, profile = tmp_path / "page.html", tmp_path / "profile"
    file.write_text(page, encoding="utf-8")
    titles = []
    for _ in range(2):
        dom = chromium(profile, "--virtual-time-budget=3000", "--dump-dom", file.as_uri())
        titles += re.findall(r"<title>(.*?)</title>", dom)
    assert titles == ["ticked 0 false", "ticked 1 true"]


# --- paper -------------------------------------------------------------------------


def _printed(page: str, paper: str, folder: Path) -> Path:
    size = f"<style>@page {{ size: {paper}; }}</style></head>"
    file, pdf = folder / "print.html", folder / f"{paper}.pdf"
    file.write_text(page.replace("</head>", size), encoding="utf-8")
    chromium(folder / "printing", "--no-pdf-header-footer", f"--print-to-pdf={pdf}", file.as_uri())
    return pdf


@pytest.mark.parametrize("paper", PAPERS_PT)
def test_print_cuts_no_row_and_carries_every_word_within_its_margins(
    paper: str, tmp_path: Path
) -> None:
    page, marks = marked(NAMES)
    assert marks > 100
    pdf = _printed(page, paper, tmp_path)
    assert page_size(pdf) == PAPERS_PT[paper]
    uncut(pdf, marks)
    text = re.sub(r"\s*zq[az]\d+q\s*", " ", tool("pdftotext", "-raw", str(pdf), "-"))
    text = " ".join(text.split())
    for row in wiring.rows(example(next(p for p in EXAMPLES if p.stem == "reed-room"))):
        for end in row.ends:
            assert end in text
    edges = [
        float(x) for x in re.findall(r'xMax="([\d.]+)"', tool("pdftotext", "-bbox", str(pdf), "-"))
    ]
    assert edges
    assert max(edges) <= PAPERS_PT[paper][0] - 30  # 12 mm are 34 pt
