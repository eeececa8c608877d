"""Findings on a terminal: the line quoted, what is meant underlined, colour only where wanted."""

from __future__ import annotations

import io
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from buildkit import terminal
from buildkit.model import Place

FAULTY = Path(__file__).parent.parent / "examples" / "faulty" / "pin.taken-twice.yaml"


def quoted(folder: Path, line: str, column: int) -> tuple[str, str]:
    terminal.forget()
    path = folder / "x.yaml"
    path.write_bytes(("first\n" + line + "\n").encode("utf-8", errors="surrogateescape"))
    shown, mark = terminal.quote(Place(str(path), 2, column), "error", terminal.plain)
    return shown, mark


@pytest.mark.parametrize(
    ("line", "column", "meant"),
    [
        ("    wires: {CTRL+: 8}", 20, "8"),
        ("    wires: {CTRL+: 8}", 13, "CTRL+"),
        ("    wires: {CTRL+: 8}", 12, "{CTRL+: 8}"),
        ("  max_on: 14400  # four hours", 3, "max_on"),
        ("  max_on: 14400  # four hours", 11, "14400"),
        ('rows: ["a, {b}: c", two]', 8, '"a, {b}: c"'),
        ('rows: ["a, {b}: c", two]', 21, "two"),
        ("about: it's a long way  ", 8, "it's a long way"),
        ("about: 'it''s', 1", 8, "'it''s'"),
        ("key: http://x#y", 6, "http://x#y"),
        ("  - [1, [2, 3]", 5, "[1, [2, 3]"),
        ("build", 6, " "),
    ],
)
def test_what_is_underlined(tmp_path: Path, line: str, column: int, meant: str) -> None:
    shown, mark = quoted(tmp_path, line, column)
    start = mark.index("^")
    assert f"{shown} "[start : mark.rindex("^") + 1] == meant
    assert shown == f"    2 | {line.rstrip()}"


def test_a_long_line_keeps_what_is_meant(tmp_path: Path) -> None:
    line = "about: " + "word " * 30 + "key: " + "more " * 30
    shown, mark = quoted(tmp_path, line, line.index("key") + 1)
    assert shown[mark.index("^") : mark.rindex("^") + 1] == "key"
    assert shown.count("…") == 2
    assert len(shown) <= 80


@settings(deadline=None)
@example("0" * 24, 73)  # behind the end of a line as wide as the screen
@given(
    st.text(
        alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\n\r"), min_size=1
    ),
    st.integers(1, 90),
)
def test_no_line_leaves_80_columns_or_steers_the_terminal(
    tmp_path_factory: pytest.TempPathFactory, line: str, column: int
) -> None:
    folder = tmp_path_factory.getbasetemp()
    (folder / "any.yaml").write_text(line * 3 + "\n", encoding="utf-8", newline="")
    terminal.forget()
    for one in terminal.quote(Place(str(folder / "any.yaml"), 1, column), "note", terminal.plain):
        assert one.isprintable()
        assert terminal._columns(one) <= 80


def test_a_blank_or_missing_line_is_not_quoted(tmp_path: Path) -> None:
    path = tmp_path / "x.yaml"
    path.write_text("\n")
    for place in (Place(str(path), 1), Place(str(path), 9), Place(str(tmp_path / "none"), 1)):
        assert terminal.quote(place, "error", terminal.plain) == []


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("stream", "names", "coloured"),
    [
        (Screen(), {}, True),
        (Screen(), {"NO_COLOR": ""}, True),  # no-color.org: set and not empty
        (Screen(), {"NO_COLOR": "1"}, False),
        (Screen(), {"TERM": "dumb"}, False),
        (io.StringIO(), {}, False),
    ],
)
def test_when_there_is_colour(
    monkeypatch: pytest.MonkeyPatch, stream: io.StringIO, names: dict[str, str], coloured: bool
) -> None:
    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in names.items():
        monkeypatch.setenv(name, value)
    assert (terminal.paint_for(stream) is terminal.coloured) == coloured


def seen_on_a_terminal(*words: str, code: int, **names: str) -> str:
    """What a call that ends with a code writes to a real (pseudo-)terminal."""
    master, slave = pty.openpty()
    environment = (
        {k: v for k, v in os.environ.items() if k != "NO_COLOR"} | {"TERM": "xterm"} | names
    )
    command = [sys.executable, "-m", "buildkit", *words]
    with subprocess.Popen(command, stdout=slave, stderr=slave, env=environment) as running:
        os.close(slave)
        seen = b""
        while True:
            try:
                seen += (more := os.read(master, 4096))
            except OSError:  # Linux: the other end is closed
                break
            if not more:
                break
        assert running.wait() == code
    os.close(master)
    return seen.decode().replace("\r\n", "\n")


def test_colour_says_nothing_that_the_text_does_not() -> None:
    words = ("check", str(FAULTY))
    painted = seen_on_a_terminal(*words, code=1)
    bare = seen_on_a_terminal(*words, code=1, NO_COLOR="1")
    codes = set(re.findall(r"\x1b\[([0-9;]*)m", painted))
    # Red and magenta are dark enough for white and light enough for black; the rest is weight.
    assert codes == {"0", "1", "1;31"}
    assert re.sub(r"\x1b\[[0-9;]*m", "", painted) == bare
    assert "\x1b" not in bare
    done = subprocess.run(
        [sys.executable, "-m", "buildkit", "check", str(FAULTY)], capture_output=True, check=False
    )
    assert done.stdout.decode() == bare


def test_a_complaint_is_wrapped_for_a_reader_and_whole_for_a_program() -> None:
    words = ("rehearse", str(FAULTY.parent.parent / "kitchen-hood.yaml"), "--fault", "silnt@20")
    shown = seen_on_a_terminal(*words, code=2)
    assert shown.startswith("buildkit: there is no fault 'silnt'.")
    assert shown.count("\n") > 1
    assert max(map(len, shown.splitlines())) <= 80
    done = subprocess.run(
        [sys.executable, "-m", "buildkit", *words], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == " ".join(shown.split()) + "\n"
