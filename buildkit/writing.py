"""What ``write`` puts on disk: sketch and wiring list, whole or not at all.

``written.json`` keeps the hash of every file written.  A file is replaced
only when it still has that hash; an edited one is refused, or with force kept
beside the new one as ``NAME.kept``.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from buildkit import __version__, pdf, sentences, sketch, wiring
from buildkit.checking import Report

RECORD = "written.json"


class CannotWrite(Exception):
    """Nothing was written; the message says why and what to do."""


def contents(report: Report, *, with_pdf: bool = False) -> dict[str, str | bytes]:
    """What goes into every file of a build without errors, by its path below the folder."""
    circuit = report.circuit
    if circuit is None or report.errors:
        raise CannotWrite("the build has errors; mend them first, then write.")
    name = circuit.build.name
    said = [sentences.say(entry, circuit.build) for entry in circuit.build.control]
    page = wiring.render_html(circuit, report.findings, said)
    files: dict[str, str | bytes] = {
        f"{name}/{name}.ino": sketch.render(circuit),
        "wiring.html": page,
        "wiring.csv": wiring.render_csv(circuit),
        "wiring.md": wiring.render_md(circuit, report.findings, said),
    }
    if with_pdf:
        try:
            files["wiring.pdf"] = pdf.render(page, pdf.paper(circuit))
        except pdf.CannotPrint as error:
            raise CannotWrite(f"{error} Nothing was written.") from None
    return files


def write(files: Mapping[str, str | bytes], into: Path, *, force: bool = False) -> list[Path]:
    """Put ``files`` below ``into``; the paths written, in order.

    Raises CannotWrite, having changed nothing, when a file there was edited
    or is not ours, or when the disk refuses.
    """
    encoded = {
        name: data.encode("utf-8") if isinstance(data, str) else data
        for name, data in files.items()
    }
    try:
        edited = _edited(encoded, into)
        if edited and not force:
            raise CannotWrite(_refusal(into, edited))
        return _replace(encoded, into, edited)
    except OSError as error:
        where = error.filename or into
        raise CannotWrite(f"{where}: {error.strerror or error}. Nothing was changed.") from None


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _record(into: Path) -> dict[str, str]:
    """Hashes of what was written before; empty when there is no usable record."""
    try:
        known = json.loads((into / RECORD).read_text(encoding="utf-8"))["files"]
        return {str(name): str(value) for name, value in known.items()}
    except (FileNotFoundError, NotADirectoryError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _edited(files: Mapping[str, bytes], into: Path) -> list[str]:
    """Files there that are neither as we wrote them nor as we would write them now."""
    known = _record(into)
    found = []
    for name, data in files.items():
        path = into / name
        if path.is_symlink() or path.exists():
            there = _hash(path.read_bytes()) if path.is_file() and not path.is_symlink() else ""
            if there not in (known.get(name), _hash(data)):
                found.append(name)
    return found


def _refusal(into: Path, edited: Iterable[str]) -> str:
    names = ", ".join(str(into / name) for name in edited)
    return (
        f"{names}: edited since it was written, or not written by buildkit. "
        "Choose another folder, or use --force, which keeps it as NAME.kept."
    )


def _replace(files: Mapping[str, bytes], into: Path, edited: Iterable[str]) -> list[Path]:
    """Write all beside their places first, then move them in, the record last."""
    record = {"buildkit": __version__, "files": {n: _hash(d) for n, d in sorted(files.items())}}
    everything = {**files, RECORD: (json.dumps(record, indent=2) + "\n").encode()}
    into.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".writing-", dir=into) as staging:
        new, old = Path(staging, "new"), Path(staging, "old")
        for name, data in everything.items():
            for folder in (new, old, into):
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (new / name).write_bytes(data)
        for name in edited:
            shutil.copy2(into / name, into / f"{name}.kept")
        _move_in(list(everything), new, into, old)
    return [into / name for name in everything]


def _move_in(names: Iterable[str], new: Path, into: Path, old: Path) -> None:
    """Swap new files in one by one; when one will not go, put the old ones back."""
    moved: list[str] = []
    try:
        for name in names:
            moved.append(name)
            if (into / name).exists():
                os.replace(into / name, old / name)
            os.replace(new / name, into / name)
    except OSError:
        for name in moved:
            if (old / name).exists():
                os.replace(old / name, into / name)
            elif not (new / name).exists():
                (into / name).unlink()
        raise
