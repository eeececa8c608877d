"""A YAML language server from npm, as editors run it: completion, hover, errors in their line."""

from __future__ import annotations

import itertools
import json
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from buildkit import published
from buildkit.places import data_dir
from buildkit.tables import Tables
from tests.test_package import unpack

SERVER = Path(__file__).parent / "node" / "node_modules" / "yaml-language-server" / "bin"
HOOD = data_dir("examples") / "kitchen-hood.yaml"


class Editor:
    """The client's side of the Language Server Protocol 3.17, as much as is needed here."""

    def __init__(self) -> None:
        self.server = subprocess.Popen(
            ["node", str(SERVER / "yaml-language-server"), "--stdio"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        self.numbers = itertools.count(1)
        self.diagnostics: dict[str, list[Any]] = {}
        self.ask("initialize", {"processId": None, "rootUri": None, "capabilities": {
            "textDocument": {"completion": {"completionItem": {"documentationFormat": ["plaintext"]}},
                             "hover": {"contentFormat": ["plaintext"]}}}})  # fmt: skip
        self.tell("initialized", {})
        self.tell("workspace/didChangeConfiguration", {"settings": {"yaml": {
            "validate": True, "hover": True, "completion": True, "schemaStore": {"enable": False},
        }}})  # fmt: skip

    def _send(self, message: dict[str, Any]) -> None:
        body = json.dumps({"jsonrpc": "2.0", **message}).encode()
        assert self.server.stdin is not None
        self.server.stdin.write(b"Content-Length: %d\r\n\r\n" % len(body) + body)
        self.server.stdin.flush()

    def tell(self, method: str, params: Any) -> None:
        self._send({"method": method, "params": params})

    def _receive(self) -> dict[str, Any]:
        assert self.server.stdout is not None
        length = 0
        while line := self.server.stdout.readline().strip():
            if line.lower().startswith(b"content-length:"):
                length = int(line.split(b":")[1])
        assert length, self.server.stderr.read() if self.server.stderr else ""
        message: dict[str, Any] = json.loads(self.server.stdout.read(length))
        if message.get("method") == "textDocument/publishDiagnostics":
            self.diagnostics[message["params"]["uri"]] = message["params"]["diagnostics"]
        elif "method" in message and "id" in message:  # the server asks: it has what it needs
            asked = message["params"].get("items", []) if message.get("params") else []
            self._send({"id": message["id"], "result": [None] * len(asked)})
        return message

    def ask(self, method: str, params: Any) -> Any:
        number = next(self.numbers)
        self._send({"id": number, "method": method, "params": params})
        while (answer := self._receive()).get("id") != number or "method" in answer:
            pass
        assert "error" not in answer, answer
        return answer["result"]

    def open(self, path: Path, text: str) -> str:
        # A name of its own each time: what closing a file brings belongs to no other.
        uri = path.with_name(f"{next(self.numbers)}-{path.name}").as_uri()
        self.tell("textDocument/didOpen", {"textDocument": {
            "uri": uri, "languageId": "yaml", "version": 1, "text": text}})  # fmt: skip
        return uri

    def errors(self, path: Path, text: str) -> list[tuple[int, str]]:
        """Line, counted from 1, and message of what the editor underlines."""
        uri = self.open(path, text)
        while uri not in self.diagnostics:
            self._receive()
        self.tell("textDocument/didClose", {"textDocument": {"uri": uri}})
        return [(d["range"]["start"]["line"] + 1, d["message"]) for d in self.diagnostics[uri]]

    def at(self, method: str, path: Path, text: str, spot: str) -> Any:
        """The answer of a request at the end of ``spot`` in the text."""
        uri = self.open(path, text)
        before = text[: text.index(spot) + len(spot)]
        place = {"line": before.count("\n"), "character": len(before) - before.rfind("\n") - 1}
        answer = self.ask(method, {"textDocument": {"uri": uri}, "position": place})
        self.tell("textDocument/didClose", {"textDocument": {"uri": uri}})
        return answer

    def words(self, text: str, spot: str) -> dict[str, str]:
        """What is offered behind ``spot``, and what the editor says of it."""
        offered = self.at("textDocument/completion", HOOD, text, spot)["items"]
        return {item["label"]: str(item.get("documentation", "")) for item in offered}


@pytest.fixture(scope="module")
def editor() -> Iterator[Editor]:
    one = Editor()
    yield one
    one.server.kill()
    one.server.wait()


@pytest.mark.parametrize("path", sorted(data_dir("examples").glob("*.yaml")), ids=lambda p: p.stem)
def test_an_example_is_without_fault_in_an_editor(editor: Editor, path: Path) -> None:
    assert editor.errors(path, path.read_text(encoding="utf-8")) == []


@pytest.mark.slow
@pytest.mark.parametrize("path", [
    *sorted(data_dir("boards").glob("*.yaml")),
    *sorted((data_dir("templates") / "parts").glob("*/part.yaml")),
], ids=lambda p: p.stem if p.stem != "part" else p.parent.name)  # fmt: skip
def test_a_table_is_without_fault_in_an_editor(editor: Editor, path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert editor.errors(path, text) == []
    # And that is no silence: the schema was found, and a wrong key is underlined.
    ((line, message),) = editor.errors(path, text + "oddity: 1\n")
    assert line == text.count("\n") + 1
    assert "oddity" in message


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("board: atmega328p-5v", "board: atmega328p-5w", "atmega328p-5v"),
        ("part: pm-frame32", "part: lcd1602-pcf8574", "pm-frame32"),
        ("wires: {TXD: 8}", "wires: {TXX: 8}", "TXX"),
        ("value: pm2_5", "value: temperature", "pm2_5"),
        ("average: 10", "average: ten", "integer"),
        ("stop_at: 9", "stops_at: 9", "stops_at"),
        ("kind: motor", "kind: moter", "motor"),
        ("max_ma: 500", "max_ma: 0", "exclusive minimum"),
    ],
)
def test_an_error_is_underlined_in_its_line(editor: Editor, old: str, new: str, said: str) -> None:
    text = HOOD.read_text(encoding="utf-8")
    assert text.count(old) == 1
    found = editor.errors(HOOD, text.replace(old, new))
    line = text[: text.index(old)].count("\n") + 1
    assert any(at == line and said in message for at, message in found), found


def test_boards_and_parts_are_offered_with_what_they_are(editor: Editor) -> None:
    text, tables = HOOD.read_text(encoding="utf-8"), Tables()
    boards = editor.words(text.replace("board: atmega328p-5v", "board: "), "board: ")
    assert set(boards) >= set(tables.board_ids())
    assert "GP" in boards["rp2040-stick"] or "RP2040" in boards["rp2040-stick"]
    probes = editor.words(text.replace("part: pm-frame32", "part: "), "part: ")
    wanted = {name for name in tables.part_ids() if "probes" in tables.part(name).roles}
    assert wanted <= set(probes)
    assert "lcd1602-pcf8574" not in probes


def test_what_a_part_has_is_offered(editor: Editor) -> None:
    text = HOOD.read_text(encoding="utf-8")
    values = editor.words(text.replace("value: pm2_5", "value: "), "value: ")
    assert {"pm1_0", "pm2_5", "pm10"} <= set(values)
    terminals = editor.words(text.replace("wires: {TXD: 8}", "wires:\n      "), "wires:\n      ")
    assert {"TXD", "RXD", "VCC"} <= set(terminals)


def test_keys_are_offered_and_explained(editor: Editor) -> None:
    text = HOOD.read_text(encoding="utf-8")
    keys = editor.words(text + "    \n", "no_reading_after_s: 15\n    ")
    assert {"stuck_after_s"} <= set(keys)
    hover = editor.at("textDocument/hover", HOOD, text, "    no_reading_aft")
    assert "without an accepted reading" in json.dumps(hover["contents"])
    hover = editor.at("textDocument/hover", HOOD, text, "    draws: {volts: 120, am")
    assert "while it runs" in json.dumps(hover["contents"])


def test_an_installed_example_finds_its_schema(editor: Editor, tmp_path: Path) -> None:
    data = unpack(tmp_path) / "buildkit" / "data"
    path = data / "examples" / "kitchen-hood.yaml"
    text = path.read_text(encoding="utf-8")
    assert editor.errors(path, text) == []
    assert editor.errors(path, text.replace("atmega328p-5v", "atmega328p-5w")) != []
    board = data / "boards" / "atmega328p-5v.yaml"
    text = board.read_text(encoding="utf-8")
    assert editor.errors(board, text + "oddity: 1\n") != []


def test_the_stored_schema_is_that_of_the_tables() -> None:
    stored = published.stored().read_text(encoding="utf-8")
    assert stored == published.text("build", Tables()), "run: python -m buildkit.published"
