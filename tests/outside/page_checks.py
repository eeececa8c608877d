"""Pages for the tests in browser and PDF: all examples and one of hostile text, and marks in them."""

from __future__ import annotations

import re
import subprocess
from functools import cache
from itertools import count
from pathlib import Path

from buildkit import rules, wiring
from buildkit.circuit import Circuit
from buildkit.sentences import say
from tests.wiring_builds import EXAMPLES, HOSTILE, circuit_of, driven, example, finding, shifted

CHROMIUM = "/usr/bin/chromium"
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
PAPERS_PT = {"A4": (595, 842), "Letter": (612, 792)}
LOUD = "<script>window.pwned = 1</script>" + HOSTILE


def hostile() -> Circuit:
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
def pages() -> dict[str, str]:
    """The page of every example, of builds with parts in wires and stages, and one of hostile text."""
    made = {}
    for circuit in [*map(example, EXAMPLES), shifted(), driven()]:
        said = [say(entry, circuit.build) for entry in circuit.build.control]
        made[circuit.build.name] = wiring.render_html(circuit, rules.run(circuit), said)
    made["hostile"] = wiring.render_html(hostile(), [finding("error", LOUD)], [LOUD])
    return made


NAMES = [*(path.stem for path in EXAMPLES), "shifted", "driven", "hostile"]


def chromium(profile: Path, *words: str) -> str:
    command = [CHROMIUM, *FLAGS, f"--user-data-dir={profile}", *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=180, check=True)
    return done.stdout


def tool(*words: str) -> str:
    return subprocess.run(words, capture_output=True, text=True, timeout=60, check=True).stdout


def page_size(pdf: Path) -> tuple[int, int]:
    """Of the first page, in points."""
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+) pts", tool("pdfinfo", str(pdf)))
    assert size
    return round(float(size[1])), round(float(size[2]))


_ROW = re.compile(r"(<tr(?: class=\"group\")?><td[^>]*>)(.*?)(</td></tr>)", re.DOTALL)
_STEP = re.compile(r"(<dd class=\"do\">)(.*?)(</dd>\s*</dl></div>)", re.DOTALL)
_FINDING = re.compile(r"(<div class=\"finding\">)(.*?)(</div>)", re.DOTALL)
_PICTURE = re.compile(
    r"(<text [^>]*>)[^<]*(</text>.*<text [^>]*>)[^<]*(</text>\s*</svg>)", re.DOTALL
)


def marked(names: list[str]) -> tuple[str, int]:
    """All pages in one document; every row, step and picture bears a mark at start and end.

    A row that stands on one sheet of paper shows both its marks there.
    """
    numbers = count()

    def mark(match: re.Match[str]) -> str:
        n = next(numbers)
        style = '<span style="font-size:4px; white-space:nowrap">'
        start, end = f"{style} zqa{n}q </span>", f"{style} zqz{n}q </span>"
        return f"{match[1]}{start}{match[2]}{end}{match[3]}"

    def mark_picture(match: re.Match[str]) -> str:
        n = next(numbers)
        return f"{match[1]}zqa{n}q{match[2]}zqz{n}q{match[3]}"

    bodies = []
    for name in names:
        body = pages()[name].split("<body>")[1].split("<script>\n(function")[0]
        for pattern in (_ROW, _STEP, _FINDING):
            body = pattern.sub(mark, body)
        pictures = body.split("<svg")
        body = "<svg".join(
            [pictures[0], *(_PICTURE.sub(mark_picture, "<svg" + one)[4:] for one in pictures[1:])]
        )
        bodies.append(f'<div style="break-before: page">{body}</div>')
    head = pages()[names[0]].split("<body>")[0]
    return f"{head}<body>{''.join(bodies)}</body></html>", next(numbers)


def uncut(pdf: Path, marks: int) -> None:
    """No marked thing of the PDF begins on one sheet and ends on another."""
    sheets = tool("pdftotext", "-raw", str(pdf), "-").split("\f")
    starts, ends = (
        {mark: at for at, sheet in enumerate(sheets) for mark in re.findall(pattern, sheet)}
        for pattern in (r"zqa(\d+)q", r"zqz(\d+)q")
    )
    assert len(starts) == len(ends) == marks
    cut = {mark for mark in starts if starts[mark] != ends[mark]}
    assert not cut
