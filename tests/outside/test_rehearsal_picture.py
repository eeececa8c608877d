"""The picture of a rehearsal in a real browser: no text lies on other text or leaves the picture."""

from __future__ import annotations

import html
import json
import re
from itertools import combinations
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from buildkit.rehearsal import graph
from buildkit.rehearsal.outcome import Change, Outcome, Row
from tests.chip_world import circuit_of
from tests.outside.page_checks import chromium

MEASURE = """<pre id="found"></pre><script>
document.getElementById("found").textContent = JSON.stringify(
  [].slice.call(document.querySelectorAll("svg text")).map(function (t) {
    var r = t.getBoundingClientRect(), s = t.ownerSVGElement.getBoundingClientRect();
    return [t.textContent, r.left - s.left, r.top - s.top, r.right - s.left, r.bottom - s.top];
  }));
</script>"""
SIZE = re.compile(r'viewBox="0 0 ([0-9.]+) ([0-9.]+)"')


def _crowded() -> Outcome:
    """Thresholds of three loads close together, long names, resets one upon the other."""
    loads = ("humidifier_of_the_cellar", "fan", "widest_load_name")
    names = "".join(f"  {name}: {{part: relay-module-active-low}}\n" for name in loads)
    entries = "".join(
        f"  - {{drive: {name}, by: air, start_at: {900 + 20 * n}, stop_at: {890 + 20 * n}, if_no_reading: off,\n"
        "     no_reading_after_s: 60}\n"
        for n, name in enumerate(loads)
    )
    circuit = circuit_of(
        "build: crowded\nboard: atmega2560-5v\nsupply: {rail: 5V, max_ma: 2000}\nprobes:\n"
        "  air: {part: scd4x, value: co2, every_s: 5}\n"
        "  tank: {part: float-switch, value: closed, every_s: 5}\n"
        f"loads:\n{names}control:\n{entries}"
    )
    resets = [
        SimpleNamespace(t_us=t_s * 1e6, cause="watchdog") for t_s in (0, 900, 910, 1800, 3599)
    ]
    rows = [Row(t, "air", 400 + t / 2, 400 + t / 2) for t in range(5, 3600, 5)]
    rows += [
        Row(t, "tank", t // 600 % 2, None if t < 60 else t // 600 % 2) for t in range(5, 3600, 5)
    ]
    changes = [Change(1000.0 + n, name, "on", "start") for n, name in enumerate(loads)]
    ran: Any = SimpleNamespace(seen=SimpleNamespace(resets=resets))
    return Outcome(circuit, ran, 3600.0, tuple(changes), tuple(rows), 0)


@pytest.mark.slow
def test_no_text_of_the_picture_lies_on_another(tmp_path: Path) -> None:
    drawn = graph.svg(_crowded(), f"crowded: {'a-long-way-off/' * 9}readings.csv")
    page = tmp_path / "page.html"
    page.write_text(f"<!doctype html><meta charset=utf-8>{drawn}{MEASURE}", encoding="utf-8")
    dumped = chromium(tmp_path / "profile", "--dump-dom", f"file://{page}")
    found = re.search(r'<pre id="found">(.*?)</pre>', dumped, re.DOTALL)
    assert found
    texts = json.loads(html.unescape(found[1]))
    size = SIZE.search(drawn)
    assert size
    for words, left, top, right, bottom in texts:
        assert left >= 0, words
        assert top >= 0, words
        assert right <= float(size[1]), words
        assert bottom <= float(size[2]), words
    assert len(texts) > 30
    # A line of text is taller than its letters: two rows may share three pixels of it.
    for one, other in combinations(texts, 2):
        apart_x = max(one[1], other[1]) - min(one[3], other[3])
        apart_y = max(one[2], other[2]) - min(one[4], other[4])
        assert apart_x >= 0 or apart_y >= -3, (one, other)
