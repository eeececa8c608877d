"""What is fuzzed: each target takes bytes and may raise nothing.

A file that cannot be taken is refused with sentences (``Refused``), never with
any other exception; what can be taken is checked, shown and written whole.
"""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Callable
from pathlib import Path

from buildkit import checking, document, report, validation, writing
from buildkit.model import Core, Refused
from buildkit.places import data_dir
from buildkit.tables import Tables
from tests.fuzz import inputs

_FOLDER = tempfile.TemporaryDirectory(prefix="fuzz-")
_TABLES = Tables()


def reading(data: bytes) -> None:
    """Any bytes as a build file: a tree with right places, or one sentence."""
    with contextlib.suppress(Refused):
        tree = document.parse(data, "x.yaml")
        validation.faults(tree, "build")
        json.dumps(tree.plain(), allow_nan=False)


def checking_bytes(data: bytes) -> None:
    """Any bytes through the whole of check."""
    _checked(data)


def checking_edits(data: bytes) -> None:
    """An example after edits, through the whole of check."""
    if data:
        samples = inputs.examples()
        _checked(inputs.edited(data[1:], samples[data[0] % len(samples)]).encode())


def tables(data: bytes) -> None:
    """A board or a part after edits, read, and used when it can be."""
    if not data:
        return
    kind, name, text = inputs.tables()[data[0] % len(inputs.tables())]
    with tempfile.TemporaryDirectory(dir=_FOLDER.name) as folder:
        place = Path(folder, "boards" if kind == "board" else f"parts/{name}")
        place.mkdir(parents=True)
        path = place / (f"{name}.yaml" if kind == "board" else "part.yaml")
        path.write_text(inputs.edited(data[1:], text), encoding="utf-8")
        known = Tables(Path(folder))
        with contextlib.suppress(Refused):
            if kind == "board":
                report.board_text(known.board(name))
            else:
                report.part_text(known.part(name))
            samples = inputs.using(name)
            _shown(checking.check(_build(samples[data[-1] % len(samples)].encode()), known))


def writing_edits(data: bytes) -> None:
    """An example after a few edits, written when check finds no error."""
    if not data:
        return
    samples = inputs.examples()
    found = _checked(inputs.edited(data[1:17], samples[data[0] % len(samples)]).encode())
    if found.circuit is not None and not found.errors and _has_core(found.circuit.board.core):
        with tempfile.TemporaryDirectory(dir=_FOLDER.name) as folder:
            writing.write(writing.contents(found), Path(folder, "out"))


def _has_core(core: Core) -> bool:
    """Whether there is a sketch for the board; where not, write says so and ends."""
    return (data_dir("templates") / "sketch" / f"core-{core.family}.j2").is_file()


def _build(data: bytes) -> Path:
    path = Path(_FOLDER.name, "x.yaml")
    path.write_bytes(data)
    return path


def _checked(data: bytes) -> checking.Report:
    return _shown(checking.check_text(data, "x.yaml", _TABLES))


def _shown(found: checking.Report) -> checking.Report:
    json.dumps(report.check_json([found]), allow_nan=False).encode()
    report.check_text(found).encode()
    return found


TARGETS: dict[str, Callable[[bytes], None]] = {
    "reading": reading,
    "checking-bytes": checking_bytes,
    "checking-edits": checking_edits,
    "tables": tables,
    "writing": writing_edits,
}
