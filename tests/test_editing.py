"""Edits of a build's text: what was asked changes, and not one other character."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buildkit import document, editing
from buildkit.editing import CannotEdit, edited, write_whole
from buildkit.places import data_dir

BLOCK = """\
# head
build: x          # its name
probes:
  smoke:   # kitchen
    part: pm-frame32  # the sensor
    # a thought
    value: pm2_5
  other: {part: "foo", wires: {TXD: '8'}}  # end
  third:
    part: bar
    wires:
      A: 3     # three
      B: "A4"
board: abc # where
"""


def plain(raw: bytes) -> Any:
    return document.parse(raw, "x.yaml").plain()


def test_a_scalar_keeps_its_quotes_and_its_comment() -> None:
    changes = {
        ("probes", "other", "wires", "TXD"): "19",
        ("probes", "third", "wires", "A"): "D5",
        ("probes", "third", "wires", "B"): "12",
        ("board",): "esp32-c3-dev",
    }
    expected = (
        BLOCK.replace("'8'", "'19'")
        .replace("A: 3     #", "A: D5     #")
        .replace('"A4"', '"12"')
        .replace("abc", "esp32-c3-dev")
    )
    assert edited(BLOCK.encode(), changes).decode() == expected


def test_a_missing_wires_goes_below_the_part() -> None:
    new = edited(BLOCK.encode(), {("probes", "smoke", "wires", "TXD"): "8"}).decode()
    line = "    part: pm-frame32  # the sensor\n"
    assert new == BLOCK.replace(line, line + "    wires: {TXD: 8}\n")


def test_a_missing_wires_in_braces_goes_behind_the_part() -> None:
    raw = b"probes: {a: {part: x , value: y}, b: {part: 'q'}}\n"
    new = edited(raw, {("probes", "a", "wires", "T+"): "8", ("probes", "b", "wires", "T"): "A0"})
    assert new == (
        b"probes: {a: {part: x, wires: {\"T+\": 8} , value: y}, b: {part: 'q', wires: {T: A0}}}\n"
    ).replace(b'"T+"', b"T+")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("wires: {}", "wires: {B: 7}"),
        ("wires: { A: 3 }", "wires: { A: 3, B: 7 }"),
        ("wires: { A: 3, }", "wires: { A: 3, B: 7, }"),
        ("wires:\n    A: 3 # three\n    # last", "wires:\n    A: 3 # three\n    B: 7\n    # last"),
        ("wires: {A: 3, # one\n    C: 4}", "wires: {A: 3, # one\n    C: 4, B: 7}"),
        ("wires: {A: 'it''s'}", "wires: {A: 'it''s', B: 7}"),
        ('wires: {A: "\\"}"}', 'wires: {A: "\\"}", B: 7}'),
    ],
)
def test_an_entry_joins_the_others_in_their_style(old: str, new: str) -> None:
    raw = f"s:\n  part: x\n  {old}\n"
    assert edited(raw.encode(), {("s", "wires", "B"): "7"}).decode() == f"s:\n  part: x\n  {new}\n"


def test_a_new_section_stands_at_the_end_of_the_map() -> None:
    new = edited(BLOCK.encode(), {("between", "smoke.TXD", "part"): "divider"}).decode()
    assert new == BLOCK + "between:\n  smoke.TXD: {part: divider}\n"
    twice = edited(new.encode(), {("between", "a.B", "part"): "divider"}).decode()
    assert twice == new + "  a.B: {part: divider}\n"


def test_a_file_without_a_last_line_end_and_two_edits_at_its_end() -> None:
    raw = b"between: {}\nprobes:\n  s:\n    part: bar\n    wires:\n      A: 3"
    new = edited(raw, {("probes", "s", "wires", "C"): "A5", ("board",): "x"})
    assert new == raw + b"\n      C: A5\nboard: x"


def test_a_block_of_text_at_the_end() -> None:
    raw = b"build: x\nabout: |\n  one\n\n  two\n# end\n"
    new = edited(raw, {("board",): "why"})
    assert new == b"build: x\nabout: |\n  one\n\n  two\nboard: why\n# end\n"


def test_crlf_and_a_byte_order_mark_stay() -> None:
    raw = b"\xef\xbb\xbf" + BLOCK.replace("\n", "\r\n").encode()
    new = edited(raw, {("probes", "smoke", "wires", "TXD"): "8", ("board",): "z"})
    assert new.startswith(b"\xef\xbb\xbf#")
    assert new.count(b"\n") == new.count(b"\r\n") == BLOCK.count("\n") + 1
    assert plain(new[3:])["probes"]["smoke"]["wires"] == {"TXD": 8}


@pytest.mark.parametrize("value", ["1e5", "off", "null", "3.3", "0x1F", "a: b", "#x", "~", "", "é"])
def test_a_value_that_yaml_would_read_as_another_is_quoted(value: str) -> None:
    new = edited(b"s: {part: x}\n", {("s", "wires", "A"): value})
    assert plain(new) == {"s": {"part": "x", "wires": {"A": value}}}


def test_nothing_asked_is_nothing_changed() -> None:
    assert edited(b"a:   1 # x", {}) == b"a:   1 # x"


def test_what_cannot_be_meant_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(editing._Surgeon, "_quoted", lambda *_: "other")
    with pytest.raises(CannotEdit, match=r"board: z"):
        edited(BLOCK.encode(), {("board",): "z"}, "x.yaml")


# --- any file at all -------------------------------------------------------------

NAMES = st.sampled_from(["a", "b_1", "smoke", "deep"])
LABELS = st.sampled_from(["8", "A0", "IO26", "CTRL+", "NO", "MOSI", "1e5"])
COMMENTS = st.sampled_from(["", "  # said", " # {not: this}", "   # 'nor this"])


@st.composite
def files(draw: st.DrawFn) -> str:
    """Builds in many hands: blocks and braces, quotes, comments, blank lines, line ends."""

    def scalar(text: str) -> str:
        style = draw(st.sampled_from(["plain", "single", "double"]))
        safe = style == "plain" and text not in ("NO", "1e5", "CTRL+")
        return text if safe else f"'{text}'" if style == "single" else f'"{text}"'

    def wires(indent: str) -> str:
        entries = draw(st.lists(st.tuples(st.sampled_from("TUVW"), LABELS), max_size=3,
                                unique_by=lambda entry: entry[0]))  # fmt: skip
        if entries and draw(st.booleans()):
            lines = (f"{indent}  {k}: {scalar(v)}{draw(COMMENTS)}\n" for k, v in entries)
            return f"{indent}wires:{draw(COMMENTS)}\n" + "".join(lines)
        joined = ", ".join(f"{k}: {scalar(v)}" for k, v in entries)
        return f"{indent}wires: {{{joined}}}{draw(COMMENTS)}\n"

    out = draw(st.sampled_from(["", "# head\n", "\n\n", "---\n"])) + "build: x\n"
    for section in ("probes", "loads"):
        out += f"{section}:{draw(COMMENTS)}\n"
        for name in draw(st.lists(NAMES, min_size=1, unique=True)):
            if draw(st.booleans()):
                out += f"  {name}: {{part: {scalar('p-1')}, wires: {{T: {scalar('8')}}}}}{draw(COMMENTS)}\n"
                continue
            out += f"  {name}:{draw(COMMENTS)}\n    part: {scalar('p-1')}{draw(COMMENTS)}\n"
            out += draw(st.sampled_from(["", "\n", "    # alone\n", "      # deeper\n"]))
            out += wires("    ") if draw(st.booleans()) else ""
            out += draw(st.sampled_from(["", "    about: >\n      much\n      text\n"]))
    out += f"board: {scalar('old')}{draw(COMMENTS)}\n"
    out = out[:-1] if draw(st.booleans()) else out
    return out.replace("\n", draw(st.sampled_from(["\n", "\r\n"])))


@pytest.mark.slow
@given(files(), st.data())
@settings(max_examples=300, deadline=None)
def test_any_edit_changes_what_was_asked_and_nothing_else(text: str, data: st.DataObject) -> None:
    raw = text.encode()
    before = plain(raw)
    changes: dict[tuple[str, ...], str] = {}
    for section in ("probes", "loads"):
        for name in before[section]:
            for terminal in data.draw(st.lists(st.sampled_from("TUVX"), max_size=2, unique=True)):
                changes[section, name, "wires", terminal] = data.draw(LABELS)
    if data.draw(st.booleans()):
        changes["board",] = "esp32-c3-dev"
    if data.draw(st.booleans()):
        changes["between", "a.T", "part"] = "divider"
    new = edited(raw, changes, "x.yaml")
    expected = before
    for path, value in changes.items():
        at = expected
        for key in path[:-1]:
            at = at.setdefault(key, {})
        at[path[-1]] = value
    assert _as_text(plain(new)) == _as_text(expected)
    # Every line without a change is there still, in its order; comments all of them.
    kept = iter(new.decode().splitlines())
    mine = [line for line in text.splitlines() if "wires" not in line and ":" not in line]
    assert all(any(line == other for other in kept) for line in mine)
    assert text.count("#") == new.decode().count("#")
    assert new.count(b"\r\n") == (new.count(b"\n") if b"\r\n" in raw else 0)


def _as_text(tree: Any) -> Any:
    if isinstance(tree, dict):
        return {key: _as_text(value) for key, value in tree.items()}
    return [_as_text(v) for v in tree] if isinstance(tree, list) else str(tree)


@pytest.mark.parametrize("path", sorted(data_dir("examples").glob("*.yaml")), ids=lambda p: p.stem)
def test_an_edit_taken_back_leaves_the_example_as_it_was(path: Path) -> None:
    raw = path.read_bytes()
    old = plain(raw)["board"]
    there = edited(raw, {("board",): "elsewhere"})
    assert there != raw
    assert edited(there, {("board",): old}) == raw


# --- on the disk -----------------------------------------------------------------


def test_a_file_is_replaced_at_once_with_its_rights(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_bytes(b"old")
    path.chmod(0o640)
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"
    assert path.stat().st_mode & 0o777 == 0o640
    assert os.listdir(tmp_path) == ["a.yaml"]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.yaml").write_bytes(b"old")
    link = tmp_path / "link.yaml"
    link.symlink_to("real.yaml")
    write_whole(link, b"new")
    assert link.is_symlink()
    assert (tmp_path / "real.yaml").read_bytes() == b"new"


def test_when_the_disk_refuses_the_old_file_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.yaml"
    path.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(CannotEdit, match=r"No space left.*Nothing was changed"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["a.yaml"]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(CannotEdit, match="No such file"):
        write_whole(tmp_path / "none" / "a.yaml", b"new")
