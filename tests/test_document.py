"""Reading: every file that is no build gets one clear sentence at the right place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buildkit import document
from buildkit.document import CannotOpen
from buildkit.model import Fault, Refused
from tests.fuzz import inputs


def refusal(raw: bytes | str) -> Fault:
    """The one fault of a text that cannot be taken."""
    source = raw.encode("utf-8") if isinstance(raw, str) else raw
    with pytest.raises(Refused) as caught:
        document.parse(source, "build.yaml")
    (fault,) = caught.value.faults
    assert fault.at.file == "build.yaml"
    assert fault.fix.endswith((".", ".)"))
    return fault


# --- files -------------------------------------------------------------------


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(CannotOpen, match=r"is not there\. Check the spelling"):
        document.read(tmp_path / "none.yaml")


def test_a_folder(tmp_path: Path) -> None:
    with pytest.raises(CannotOpen, match=r"is a folder\. Name the build file"):
        document.read(tmp_path)


@pytest.mark.parametrize("name", ["file.yaml/build.yaml", "n" * 300 + ".yaml", "a\0b.yaml"])
def test_a_path_that_the_system_refuses(tmp_path: Path, name: str) -> None:
    (tmp_path / "file.yaml").write_text("build: x")
    with pytest.raises(CannotOpen, match="cannot be read: "):
        document.read(tmp_path / name)


def test_a_loop_of_links(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").symlink_to(tmp_path / "b.yaml")
    (tmp_path / "b.yaml").symlink_to(tmp_path / "a.yaml")
    with pytest.raises(CannotOpen, match="cannot be read: "):
        document.read(tmp_path / "a.yaml")


def test_a_file_of_ten_megabytes(tmp_path: Path) -> None:
    path = tmp_path / "large.yaml"
    path.write_bytes(b"# all comment\n" * 750_000)
    with pytest.raises(Refused) as caught:
        document.read(path)
    (fault,) = caught.value.faults
    assert (fault.rule, str(fault.at)) == ("doc.too-large", f"{path}:1:1")
    assert fault.message == "the file is larger than 256 KiB"


def test_a_readable_file_keeps_its_places(tmp_path: Path) -> None:
    path = tmp_path / "small.yaml"
    path.write_bytes("\ufeffbuild: hood\r\nrows:\r\n  - one\r\n  - {a: 0x27}\r\n".encode())
    tree = document.read(path)
    assert tree.plain() == {"build": "hood", "rows": ["one", {"a": 39}]}
    inner = tree.value["rows"].value[1].value["a"]
    assert (inner.at.line, inner.at.column, inner.at.path) == (4, 9, "rows[1].a")
    assert (inner.name_at.line, inner.name_at.column, inner.name_at.path) == (4, 6, "rows[1].a")


# --- text --------------------------------------------------------------------

TAB = "a tab stands where YAML wants spaces"
COLON = "a ':' stands where none fits"
ENDED = "text stands behind a value that has ended"
QUOTE = "a quote opens here and is not closed"
SIGN = "a value cannot begin with this sign"
MARK = "a value cannot begin with '&', '*' or '!'"
BACKSLASH = "a backslash in double quotes means something else here"
EMPTY = "the file is empty"
MISSING = "a value is missing before this sign"
BLOCK = "a '|' or '>' with other signs behind it"
DIRECTIVE = "this YAML is not taken here: a directive ('%') or a tag ('!')"
FIRST_COLUMN = "this line stands further left than the first one, or is no 'key: value'"
NUMBER = "the value that follows holds a number or an escape that no text can hold"
ALIAS = "YAML anchors and aliases ('&name', '*name') are not taken"
TAG = "YAML tags ('!name') are not taken"
SECOND = "a second document begins here ('---')"
COMPLEX = "a key is a list or a map here"


def unseen(code: str) -> str:
    return f"a character that cannot be seen stands here, U+{code}"


UNREADABLE = [
    # tabs
    ("a:\n\tb: 1\n", 2, 1, TAB), ("a:\tb\n", 1, 3, TAB), ("a:\n  b: 1\n\tc: 2\n", 3, 1, TAB),
    ("a: [1,\n\t2]\n", 2, 1, TAB), ("a: 1\t\nb: 2\n", 1, 5, TAB),
    # colons, indentation, lists
    ("a: b: c\n", 1, 5, COLON), ("a:1\nb: 2\n", 2, 2, COLON), ("c:\n  - a: 1\n     b: 2\n", 3, 7, COLON),
    ("a: 1\nfoo\nb: 2\n", 2, 1, "a ':' is missing on this line"),
    ("a:\n    b: 1\n  c: 2\n", 3, 3, "this line is not indented like the lines that it belongs to"),
    ("c:\n  - a: 1\n   b: 2\n", 3, 4, "this line is not indented like the lines that it belongs to"),
    ("  a: 1\nb: 2\n", 2, 1, FIRST_COLUMN), ("a: 1\n...\nb: 2\n", 3, 1, FIRST_COLUMN),
    ("a: - 1\n", 1, 4, "a list begins behind its key, on the same line"),
    ("a: 1\n- b\n", 2, 1, "a list item ('-') stands among 'key: value' lines"),
    # brackets and quotes
    ("a: [1, 2\nb: 3\n", 1, 4, "a bracket opens here and is not closed by ']' before line 2"),
    ("x: 1\na: {x: 1\n\nb: 3\n", 2, 4, "a bracket opens here and is not closed by '}' before line 4"),
    ("a: [1}\n", 1, 6, "a comma or ']' is missing before this"),
    ('a: ["x" "y"]\n', 1, 9, "a comma or ']' is missing before this"),
    ("a: {b c: d: e}\n", 1, 11, "a comma or '}' is missing before this"),
    ("a: ]\n", 1, 4, MISSING), ("a: ,\n", 1, 4, MISSING),
    ("a: [", 1, 5, "the file ends inside a bracket"), ("a: [?\n", 2, 1, "the file ends inside a bracket"),
    ('a: "x\nb: 3\n', 1, 4, QUOTE), ("a: 'x\nb: 3\n", 1, 4, QUOTE), ("a: 'x\n---\nb'\n", 1, 4, QUOTE),
    ('a: "x" y\n', 1, 8, ENDED), ("a: [1] 2\n", 1, 8, ENDED), ("a: 'it's'\n", 1, 8, ENDED),
    ('a: "5" tall"\n', 1, 8, ENDED),
    # signs
    ("a: @x\n", 1, 4, SIGN), ("a: `x`\n", 1, 4, SIGN), ("a: %x\n", 1, 4, SIGN),
    ("a: &\n", 1, 5, MARK), ("a: *\n", 1, 5, MARK),
    ('a: "\\q"\n', 1, 6, BACKSLASH), ('a: "\\xZZ"\n', 1, 7, BACKSLASH),
    ("a: |0\n  x\n", 1, 5, BLOCK), ("a: >5x\n", 1, 6, BLOCK),
    ("%YAML 2.0\n---\na: 1\n", 1, 1, DIRECTIVE), ("%YAML 1.1\n%YAML 1.1\n---\na: 1\n", 2, 1, DIRECTIVE),
    ("a: !x!y 1\n", 1, 4, DIRECTIVE),
    # what fails bare inside the reader of YAML
    ('b: 1\na: "\\UFFFFFFFF"\n', 2, 1, NUMBER), ("%YAML 1." + "9" * 5000 + "\n---\na: 1\n", 1, 1, NUMBER),
    # characters
    ("a: 1\nb: x\x07\n", 2, 5, unseen("0007")), ('a: "\\0"\n', 1, 4, unseen("0000")),
    ('a: "\\uD800"\n', 1, 4, unseen("D800")), ('b: 1\n"\\e[31m": 1\n', 2, 1, unseen("001B")),
    ('a: "\\x85"\n', 1, 4, unseen("0085")), (b"a: 1\rb: \x07", 2, 4, unseen("0007")),
    (b"a: 1\n\n  b\0", 3, 4, "the file holds a NUL byte, so it is not text"),
    ("build: hood\n".encode("utf-16-le"), 1, 2, "the file holds a NUL byte, so it is not text"),
    ("a: 1\nb: °C\n".encode("latin-1"), 2, 4, "the byte 0xB0 is not UTF-8 text"),
    (b"\xef\xbb\xbfa: \xff", 1, 4, "the byte 0xFF is not UTF-8 text"),
    (bytes(range(1, 256)), 8, 98, "the byte 0x80 is not UTF-8 text"),
    # nothing, or too many
    ("", 1, 1, EMPTY), ("# only\n# comments\n", 1, 1, EMPTY), (b"\xef\xbb\xbf", 1, 1, EMPTY),
    ("\n\n   \n", 1, 1, EMPTY), ("---\n", 1, 1, EMPTY),
    ("a: 1\n---\nb: 1\n", 2, 1, SECOND), ("---\n---\n", 2, 1, SECOND),
    ("[a]: 1\n", 1, 1, COMPLEX), ("? {a: 1}\n: 1\n", 1, 3, COMPLEX), ("a: {{x}}\n", 1, 5, COMPLEX),
]  # fmt: skip


@pytest.mark.parametrize(("raw", "line", "column", "message"), UNREADABLE)
def test_text_that_cannot_be_read(raw: bytes | str, line: int, column: int, message: str) -> None:
    fault = refusal(raw)
    assert fault.rule == "doc.unreadable"
    assert (fault.at.line, fault.at.column, fault.message) == (line, column, message)


@pytest.mark.parametrize(
    ("raw", "line", "column", "message"),
    [
        ("a: &x 1\nb: *x\n", 1, 4, ALIAS), ("a: *x\n", 1, 4, ALIAS), ("a: *b c\n", 1, 4, ALIAS),
        ("&k a: 1\n", 1, 1, ALIAS), ("a: &l [1]\n", 1, 4, ALIAS), ("*k : 1\n", 1, 1, ALIAS),
        ("b: &b {x: 1}\na:\n  <<: *b\n", 1, 4, ALIAS), ("x: 1\na:\n  <<: *b\n", 3, 7, ALIAS),
        ("a: !!str 5\n", 1, 4, TAG), ("a: !!python/object/apply:os.system [x]\n", 1, 4, TAG),
        ("a: !u 5\n", 1, 4, TAG), ("!!set {a: 1}\n", 1, 1, TAG), ("!k a: 1\n", 1, 1, TAG),
        ("a: ! 5\n", 1, 4, TAG),
    ],
)  # fmt: skip
def test_anchors_aliases_and_tags(raw: str, line: int, column: int, message: str) -> None:
    fault = refusal(raw)
    assert fault.rule == "doc.alias-or-tag"
    assert (fault.at.line, fault.at.column, fault.message) == (line, column, message)


def test_an_alias_bomb_is_refused_at_its_first_anchor() -> None:
    lines = ["l0: &l0 [x, x]"] + [f"l{n}: &l{n} [*l{n - 1}, *l{n - 1}]" for n in range(1, 60)]
    assert str(refusal("\n".join(lines)).at) == "build.yaml:1:5"


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        ("a: " + "[" * 10_000, 1),
        ("a: " + "[" * 10_000 + "]" * 10_000, 1),
        ("a: " + "{a: " * 10_000, 1),
        ("a:\n" + "- " * 10_000 + "x", 2),
        ("\n".join(" " * n + "k:" for n in range(600)), 25),
        ("[\n" * 10_000, 25),
    ],
)
def test_ten_thousand_deep(raw: str, line: int) -> None:
    fault = refusal(raw)
    assert (fault.rule, fault.at.line) == ("doc.too-large", line)
    assert "more than 24 deep" in fault.message


def test_ten_thousand_values() -> None:
    fault = refusal("a: [" + "1," * 10_000 + "1]")
    assert (fault.rule, fault.message) == ("doc.too-large", "the file holds more than 10000 values")


def test_depth_is_allowed_to_its_limit() -> None:
    assert document.parse(b"[" * 23 + b"1" + b"]" * 23, "x").plain()
    refusal("[" * 24 + "1" + "]" * 24)


def test_each_duplicate_is_told_with_its_first() -> None:
    raw = b'a: 1\nb: {c: 1, c: 2}\na: 3\n"a": 4\n'
    with pytest.raises(Refused) as caught:
        document.parse(raw, "x")
    told = [(f.rule, f.at.line, f.at.column, f.numbers["first_line"]) for f in caught.value.faults]
    assert sorted(told) == [
        ("doc.duplicate-key", 2, 11, 2), ("doc.duplicate-key", 3, 1, 1), ("doc.duplicate-key", 4, 1, 1),
    ]  # fmt: skip


def test_duplicates_without_end_are_told_a_hundred_times() -> None:
    with pytest.raises(Refused) as caught:
        document.parse(b"a: 1\n" * 4000, "x")
    assert len(caught.value.faults) == 100


# --- scalars -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("off", "off"), ("no", "no"), ("yes", "yes"), ("on", "on"), ("Off", "Off"),
        ("'off'", "off"), ('"off"', "off"), ("true", True), ("FALSE", False), ("~", None), ("", None),
        ("12", 12), ("+12", 12), ("-0", 0), ("012", 12), ("0x27", 39), ("0X27", "0X27"), ("0o17", 15),
        ("0b11", "0b11"), ("1_000", "1_000"), ("1:30", "1:30"), ("2024-01-01", "2024-01-01"),
        ("1.5", 1.5), (".5", 0.5), ("5.", 5.0), ("1e3", 1000.0), ("-1.5E-3", -0.0015),
        (".nan", ".nan"), (".inf", ".inf"), ("1e999", "1e999"), ("9" * 40, "9" * 40), ("١", "١"),
        ('"12"', "12"), ("'~'", "~"), ("15 s", "15 s"), ("5V", "5V"),
    ],
)  # fmt: skip
def test_plain_words_stay_what_they_look_like(text: str, value: object) -> None:
    found = document.parse(f"a: {text}\n".encode(), "x").plain()["a"]
    assert (type(found), found) == (type(value), value)


def faults(raw: bytes) -> list[Fault]:
    """What is refused in a text, nothing when it can be read."""
    try:
        document.parse(raw, "x")
    except Refused as refused:
        return refused.faults
    return []


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda s: s.encode("utf-8", "replace")))
def test_random_bytes_are_read_or_refused(raw: bytes) -> None:
    assert all(f.rule.startswith("doc.") and f.message and f.fix for f in faults(raw))


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet=" \n\t:-?,[]{}#&*!|>'\"%@`\\ab01~<.\r\u2028\ufeff", max_size=60))
def test_random_signs_of_yaml_are_refused_at_a_line_that_is_there(text: str) -> None:
    lines = len(f"{text}|".splitlines()) + 1  # an open bracket is told on the line behind the last
    assert all(1 <= f.at.line <= lines and f.at.column >= 1 for f in faults(text.encode()))


# --- two parsers, one tree ------------------------------------------------------


def _seen(raw: bytes) -> object:
    try:
        return document.parse(raw, "x.yaml")
    except Refused as refused:
        return [(fault.rule, fault.at, fault.message) for fault in refused.faults]


@settings(max_examples=300, deadline=None)
@given(st.binary(min_size=5, max_size=33))
def test_the_fast_parser_gives_what_the_slow_one_gives(data: bytes) -> None:
    """The same values, places and refusals with libyaml as with PyYAML's own parser."""
    assert document._FAST is not None, "PyYAML's wheels carry libyaml"
    text = inputs.edited(data[1:], inputs.examples()[data[0] % len(inputs.examples())])
    fast = _seen(text.encode())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(document, "_FAST", None)
        assert _seen(text.encode()) == fast
