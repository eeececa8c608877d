"""What ``write`` puts on disk: sketch and wiring list, whole or not at all.

``written.json`` keeps the hash of every file written.  A file is replaced
only when it still has that hash; an edited one is refused, or with force kept
beside the new one as ``NAME.kept``.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from buildkit import __version__, pdf, sentences, sketch, swapping, wiring
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
        with swapping.alone(into) as folder:
            _through_no_link(encoded, folder)
            edited = _edited(encoded, folder)
            if edited and not force:
                raise CannotWrite(_refusal(into, edited))
            _replace(encoded, folder, edited)
        return [into / name for name in (*encoded, RECORD)]
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


def _through_no_link(files: Iterable[str], folder: Path) -> None:
    """A link inside the folder would carry the files out of it."""
    for name in files:
        for place in (folder / name).parents:
            if place == folder:
                break
            if place.is_symlink():
                raise CannotWrite(
                    f"{place} is a link to another folder. Delete it, or choose another folder."
                )


def _refusal(into: Path, edited: Iterable[str]) -> str:
    names = ", ".join(str(into / name) for name in edited)
    return (
        f"{names}: edited since it was written, or not written by buildkit. "
        "Choose another folder, or use --force, which keeps it as NAME.kept."
    )


def _replace(files: Mapping[str, bytes], folder: Path, edited: Iterable[str]) -> None:
    """All files at once, the record and the edited ones kept among them."""
    record = {"buildkit": __version__, "files": {n: _hash(d) for n, d in sorted(files.items())}}
    kept = {
        _kept_name(folder, name): (folder / name).read_bytes()
        for name in edited
        if (folder / name).exists()  # a link to nowhere holds nothing
    }
    text = (json.dumps(record, indent=2) + "\n").encode()
    swapping.replace({**kept, **files, RECORD: text}, folder)


def _kept_name(folder: Path, name: str) -> str:
    """NAME.kept, or with a number when that is taken: what was kept stays kept."""
    numbers = ("", *range(2, 1000))
    return next(
        kept for kept in (f"{name}.kept{n}" for n in numbers) if not os.path.lexists(folder / kept)
    )
