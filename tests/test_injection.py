"""Words of a build, whatever they are, change nothing of a page but its words."""

from __future__ import annotations

import csv
import functools
import io
import json
from html.parser import HTMLParser
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from buildkit import checking, document, wiring
from buildkit.checking import Report
from buildkit.places import data_dir
from buildkit.tables import Tables

TABLES = Tables()
MAT = document.parse((data_dir("examples") / "seedling-mat.yaml").read_bytes(), "mat.yaml").plain()
SIGNS = "<>&\"'`|*_[]()!#=+-@\\{}%$~:/?.;\t\n\r\u2028\u202e\ufeff 0x"
WORDS = st.text(
    st.one_of(st.sampled_from(SIGNS), st.characters(exclude_categories=["Cs"])),
    min_size=1,
    max_size=60,
)
KNOWN = [
    "=HYPERLINK(\"http://x\",\"y\")", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", " =1", "|=1",
    "</p><script>alert(1)</script>", "--><img src=x onerror=y>", "&lt;b&gt; &#60;", "{{ 7*7 }}{% raw %}",
    "[a](javascript:x) ![b](c)", "# head\n\n- list\n\n| a | b |\n|---|---|", "`code` ```\nfence", "<http://x>",
    "https://example.org www.example.org a@b.cc", "\\\\ \\", "1. one\n2. two", "a\n===", "***", "~~no~~ $x$",
]  # fmt: skip


def report_of(words: str) -> Report:
    build = json.loads(json.dumps(MAT))
    words = "".join(c for c in words if c.isprintable() or c in "\n\t")
    words = words if words.strip() else "-"  # a blank sentence is none
    build["about"] = words
    build["loads"]["mat"]["cutout"] = words
    build["displays"]["panel"]["rows"] = [words.replace("{", "(").replace("}", ")")]
    raw = json.dumps(build, ensure_ascii=False).encode()
    found = checking.check_text(raw, "x.yaml", TABLES)
    assert found.circuit is not None, found.findings
    return found


class Bones(HTMLParser):
    """Tags, and attributes but for their words."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[Any] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "br":  # a long text takes more lines
            self.found.append((tag, sorted(name for name, _ in attrs)))

    def handle_comment(self, data: str) -> None:
        self.found.append("comment")

    def handle_decl(self, decl: str) -> None:
        self.found.append(decl)


def html_bones(found: Report) -> list[Any]:
    assert found.circuit is not None
    bones = Bones()
    bones.feed(wiring.render_html(found.circuit, (), []))
    bones.close()
    return bones.found


def md_bones(found: Report) -> list[str]:
    assert found.circuit is not None
    parser = MarkdownIt("commonmark", {"linkify": False}).enable(["table", "strikethrough"])
    tokens = parser.parse(wiring.render_md(found.circuit, (), []))
    inner = [child.type for token in tokens for child in token.children or ()]
    plain = ("text", "softbreak", "text_special", "hardbreak")
    return [token.type for token in tokens] + [kind for kind in inner if kind not in plain]


@functools.cache
def benign() -> tuple[list[Any], list[str], int]:
    found = report_of("plain words")
    return html_bones(found), md_bones(found), len(csv_rows(found))


def csv_rows(found: Report) -> list[list[str]]:
    assert found.circuit is not None
    return list(csv.reader(io.StringIO(wiring.render_csv(found.circuit))))


@pytest.mark.parametrize("words", KNOWN)
def test_known_tricks(words: str) -> None:
    holds(words)


@pytest.mark.slow
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(WORDS)
def test_any_words(words: str) -> None:
    holds(words)


def holds(words: str) -> None:
    found = report_of(words)
    html, md, rows = benign()
    assert html_bones(found) == html
    assert md_bones(found) == md
    table = csv_rows(found)
    assert len(table) == rows
    assert len({len(row) for row in table}) == 1


@given(WORDS)
def test_no_cell_is_a_formula(words: str) -> None:
    """A spreadsheet takes a cell for a formula by its first sign (OWASP, CSV injection)."""
    out = io.StringIO()
    csv.writer(out).writerow([wiring._cell(words)])
    ((cell,),) = csv.reader(io.StringIO(out.getvalue(), newline=""))
    assert cell[:1] not in tuple("=+-@\t\r\n") or cell == ""
    assert cell.strip()[:1] not in tuple("=+-@")
    assert cell.isprintable()
