"""The wiring page in a real browser: on screen at two widths, its ticks, and printed on two papers.

Debian's Chromium lays the page out; a script appended by the test measures it
and writes what it found into the document, from where it is read back.
"""

from __future__ import annotations

import json
import re
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from buildkit import rules, wiring
from buildkit.circuit import Circuit
from buildkit.sentences import say
from tests.wiring_builds import EXAMPLES, HOSTILE, circuit_of, example, finding

CHROMIUM = "/usr/bin/chromium"
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
SCREENS_PX = (794, 816)  # A4 and Letter at 96 px an inch
PAPERS_PT = {"A4": (595, 842), "letter": (612, 792)}

MEASURE = """
<script>
window.addEventListener("load", function () {
  function rect(e) { var r = e.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; }
  function list(q) { return Array.prototype.slice.call(document.querySelectorAll(q)); }
  function rgb(s) { return (s.match(/[\\d.]+/g) || []).map(Number); }
  function ground(e) {
    for (; e; e = e.parentElement) {
      var c = rgb(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] > 0) { return c.slice(0, 3); }
    }
    return [255, 255, 255];
  }
  var wide = document.documentElement.clientWidth;
  var found = {
    width: wide, scroll: document.documentElement.scrollWidth,
    overflowing: list("body *").filter(function (e) {
      var r = e.getBoundingClientRect();
      return r.width && (r.left < -0.5 || r.right > wide + 0.5 || (e.scrollWidth > e.clientWidth + 1 && e.clientWidth));
    }).map(function (e) { return e.tagName + ": " + e.textContent.slice(0, 60); }),
    pictures: list("svg").map(function (svg) {
      return Array.prototype.map.call(svg.querySelectorAll("text"), function (t) { return [t.textContent].concat(rect(t)); });
    }),
    sheet: rect(document.body),
    colours: list("h1,h2,h3,p,li,td,th,dt,dd,b,.tag").filter(function (e) { return e.textContent.trim(); }).map(function (e) {
      return [e.textContent.slice(0, 30), rgb(getComputedStyle(e).color), ground(e)];
    }),
    alive: window.pwned === undefined
  };
  var out = document.createElement("pre");
  out.id = "measured";
  out.textContent = "MEASURED" + JSON.stringify(found) + "ENDMEASURED";
  document.body.appendChild(out);
});
</script>
"""


def _hostile() -> Circuit:
    return circuit_of(
        {
            "build": "h" * 40,
            "about": HOSTILE[:400],
            "board": "atmega2560-5v",
            "supply": {"rail": "5V", "max_ma": 500},
            "mains": {"volts": 230, "hz": 50, "region": "iec"},
            "probes": {
                f"probe_{'x' * 17}{n}": {
                    "part": "ntc-divider",
                    "value": "temperature",
                    "every_s": 1,
                }
                for n in range(9)
            },
            "loads": {
                f"load_{'y' * 18}{n}": {
                    "part": "relay-module-active-low",
                    "draws": {"volts": volts, "amps": 1, "kind": "heater"},
                    "cutout": "<script>window.pwned = 1</script>" + "c" * 40,
                }
                for n, volts in enumerate((230, 24, 230))
            },
        }
    )


@cache
def _pages() -> dict[str, str]:
    """The page of every example, and one of hostile text with long names."""
    made = {}
    for path in EXAMPLES:
        circuit = example(path)
        said = [say(entry, circuit.build) for entry in circuit.build.control]
        made[path.stem] = wiring.render_html(circuit, rules.run(circuit), said)
    loud = "<script>window.pwned = 1</script>" + HOSTILE
    made["hostile"] = wiring.render_html(_hostile(), [finding("error", loud)], [loud])
    return made


NAMES = [*(path.stem for path in EXAMPLES), "hostile"]


def _chromium(profile: Path, *words: str) -> str:
    command = [CHROMIUM, *FLAGS, f"--user-data-dir={profile}", *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    return done.stdout


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, int], dict[str, Any]]:
    found = {}
    for name in NAMES:
        folder = tmp_path_factory.mktemp(name)
        file = folder / "page.html"
        file.write_text(_pages()[name].replace("</body>", MEASURE + "</body>"), encoding="utf-8")
        for width in SCREENS_PX:
            dom = _chromium(
                folder / f"profile{width}",
                f"--window-size={width},1100",
                "--dump-dom",
                file.as_uri(),
            )
            text = re.search(r'<pre id="measured">MEASURED(.*)ENDMEASURED</pre>', dom, re.DOTALL)
            assert text, dom[-2000:]
            plain = text[1].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
            found[name, width] = json.loads(plain)
    return found


CASES = [(name, width) for name in NAMES for width in SCREENS_PX]


@pytest.mark.parametrize(("name", "width"), CASES)
def test_nothing_is_wider_than_the_page(
    measured: dict[tuple[str, int], dict[str, Any]], name: str, width: int
) -> None:
    page = measured[name, width]
    assert page["width"] in (width, width - 15)  # less a scroll bar where there is one
    assert page["scroll"] <= page["width"]
    assert page["overflowing"] == []
    assert page["alive"]


@pytest.mark.parametrize(("name", "width"), CASES)
def test_no_text_of_a_picture_lies_on_another(
    measured: dict[tuple[str, int], dict[str, Any]], name: str, width: int
) -> None:
    pictures = measured[name, width]["pictures"]
    assert pictures
    for texts in pictures:
        assert len(texts) > 5
        for index, (one, left, top, right, bottom) in enumerate(texts):
            assert right > left, one
            for other, left_2, top_2, right_2, bottom_2 in texts[index + 1 :]:
                # The box of a line holds its leading too: lines of one paragraph touch by a px.
                beside = min(right, right_2) - max(left, left_2) <= 0.2
                above = min(bottom, bottom_2) - max(top, top_2) <= 1.5
                assert beside or above, (one, other)


def _luminance(rgb: list[float]) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [c / 255 for c in rgb[:3]]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize("name", NAMES)
def test_all_text_has_the_contrast_that_wcag_aa_asks_for(
    measured: dict[tuple[str, int], dict[str, Any]], name: str
) -> None:
    colours = measured[name, 794]["colours"]
    assert len(colours) > 50
    for text, ink, ground in colours:
        light, dark = sorted((_luminance(ink), _luminance(ground)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, text


def test_a_telephone_scrolls_the_tables_and_not_the_page(tmp_path: Path) -> None:
    page = _pages()["reed-room"].replace("</body>", MEASURE + "</body>")
    (tmp_path / "page.html").write_text(page, encoding="utf-8")
    address = (tmp_path / "page.html").as_uri()
    dom = _chromium(tmp_path / "profile", "--window-size=400,800", "--dump-dom", address)
    width, scroll = re.findall(r'"width":(\d+),"scroll":(\d+)', dom)[-1]
    assert 300 < int(width) <= 500
    assert int(scroll) <= int(width)


# --- ticks -------------------------------------------------------------------------

TICK = '<script>window.addEventListener("load", function () { document.getElementById("s1").click(); });</script>'
TELL = """<script>window.addEventListener("load", function () {
  document.title = "ticked " + document.querySelectorAll("input:checked").length + " " + document.getElementById("s1").checked;
});</script>"""


def test_a_tick_outlives_a_reload(tmp_path: Path) -> None:
    page = _pages()["kitchen-hood"]
    file, profile = tmp_path / "page.html", tmp_path / "profile"
    titles = []
    for more in (TELL, TICK, TELL):
        file.write_text(page.replace("</body>", more + "</body>"), encoding="utf-8")
        dom = _chromium(profile, "--virtual-time-budget=3000", "--dump-dom", file.as_uri())
        titles.append(re.search(r"<title>(.*?)</title>", dom)[1])  # type: ignore[index]
    assert titles[0] == "ticked 0 false"
    assert titles[2] == "ticked 1 true"


# --- paper -------------------------------------------------------------------------

# Every row gets a mark at its start and at its end; a row on one page shows both there.
MARK = """
<script>
Array.prototype.forEach.call(document.querySelectorAll("tbody tr, .step, .finding"), function (row, index) {
  function mark(word) { var b = document.createElement("span"); b.textContent = " " + word + index + "q "; b.style.fontSize = "5px"; return b; }
  var cells = row.querySelectorAll("td:last-child, dd");
  (cells[0] || row).prepend(mark("zqa"));
  (cells[cells.length - 1] || row).append(mark("zqz"));
});
Array.prototype.forEach.call(document.querySelectorAll("svg"), function (svg, index) {
  var texts = svg.querySelectorAll("text");
  texts[0].textContent = "zqa" + (9000 + index) + "q";
  texts[texts.length - 1].textContent = "zqz" + (9000 + index) + "q";
});
</script>
"""


def _printed(page: str, paper: str, folder: Path) -> Path:
    size = f"<style>@page {{ size: {paper}; }}</style></head>"
    file, pdf = folder / "print.html", folder / f"{paper}.pdf"
    file.write_text(page.replace("</head>", size), encoding="utf-8")
    _chromium(folder / "printing", "--no-pdf-header-footer", f"--print-to-pdf={pdf}", file.as_uri())
    return pdf


def _tool(*words: str) -> str:
    return subprocess.run(words, capture_output=True, text=True, timeout=60, check=True).stdout


@pytest.mark.parametrize("paper", PAPERS_PT)
@pytest.mark.parametrize("name", NAMES)
def test_no_row_step_or_picture_is_cut_by_a_page(name: str, paper: str, tmp_path: Path) -> None:
    page = _pages()[name].replace("</body>", MARK + "</body>")
    pdf = _printed(page, paper, tmp_path)
    info = _tool("pdfinfo", str(pdf))
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+) pts", info)
    assert size
    assert (round(float(size[1])), round(float(size[2]))) == PAPERS_PT[paper]
    sheets = _tool("pdftotext", "-raw", str(pdf), "-").split("\f")
    starts, ends = (
        {mark: at for at, sheet in enumerate(sheets) for mark in re.findall(pattern, sheet)}
        for pattern in (r"zqa(\d+)q", r"zqz(\d+)q")
    )
    rows = len(
        re.findall(r'<tr(?: class="group")?><td|class="step"|class="finding"', _pages()[name])
    )
    pictures = _pages()[name].count("<svg")
    assert len(starts) == rows + pictures
    assert starts == ends


@pytest.mark.parametrize("paper", PAPERS_PT)
def test_paper_carries_every_word_of_the_wire_table_within_its_margins(
    paper: str, tmp_path: Path
) -> None:
    pdf = _printed(_pages()["reed-room"], paper, tmp_path)
    text = " ".join(_tool("pdftotext", "-raw", str(pdf), "-").split())
    for row in wiring.rows(example(next(p for p in EXAMPLES if p.stem == "reed-room"))):
        for end in row.ends:
            assert end in text
    boxes = _tool("pdftotext", "-bbox", str(pdf), "-")
    edges = [float(x) for x in re.findall(r'xMax="([\d.]+)"', boxes)]
    assert edges
    assert max(edges) <= PAPERS_PT[paper][0] - 30  # 12 mm are 34 pt
