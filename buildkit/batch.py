"""Many builds in one call: folders searched, files checked side by side, answers in order."""

from __future__ import annotations

import json
import os
import re
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, TextIO

from buildkit import complaints, document, terminal
from buildkit.checking import Report, check
from buildkit.document import CannotOpen
from buildkit.records import dataclass
from buildkit.tables import Tables

# Below so many files a second process costs more than it brings (tests/benchmarks).
WORTH_SHARING = 40
_CHUNK = 8  # files handed over at a time
_AHEAD = 4  # chunks waiting for each process, so that memory stays flat
_IS_BUILD = re.compile(rb"^build[ \t]*:", re.MULTILINE)
_SUFFIXES = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class Answer:
    """What a check of one file gave, ready to be put together; small enough to hand over."""

    shown: Any  # text, or what JSON or SARIF say of it
    errors: int = 0
    warnings: int = 0
    complaint: str = ""  # why the file could not be opened


def found(paths: Iterable[Path]) -> tuple[list[Path], list[str]]:
    """The files named, and those below a folder that are builds; and complaints."""
    files: list[Path] = []
    complaints: list[str] = []
    for path in paths:
        if not path.is_dir():
            files.append(path)
            continue
        closed: list[str] = []
        below = sorted(_builds_below(path, closed))
        complaints += closed
        if not below and not closed:
            complaints.append(f"the folder {path} holds no build: no YAML file with 'build:'.")
        files += below
    return list(dict.fromkeys(files)), complaints


def _builds_below(folder: Path, closed: list[str]) -> Iterator[Path]:
    """Builds in a folder and the folders in it; ``closed`` gets a sentence for each that is shut."""

    def shut(error: OSError) -> None:
        closed.append(f"the folder {error.filename} cannot be read: {error.strerror}.")

    for root, folders, names in os.walk(folder, onerror=shut):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in names:
            path = Path(root, name)
            if name.endswith(_SUFFIXES) and not name.startswith(".") and _is_build(path):
                yield path


def _is_build(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            return _IS_BUILD.search(stream.read(document.MAX_BYTES)) is not None
    except OSError:
        return True  # check says why it cannot be read


def _answer(path: Path, tables: Tables, show: Callable[[Report], Any]) -> Answer:
    try:
        report = check(path, tables)
    except CannotOpen as error:
        return Answer(None, complaint=str(error))
    terminal.forget()
    return Answer(show(report), report.errors, report.count("warning"))


def answers(paths: list[Path], tables: Tables, show: Callable[[Report], Any]) -> Iterator[Answer]:
    """One answer a file, in the order given; in parallel when that is faster."""
    one = partial(_answer, tables=tables, show=show)
    workers = min(os.cpu_count() or 1, len(paths) // (WORTH_SHARING // 2))
    if workers < 2 or not hasattr(os, "fork"):
        yield from map(one, paths)
        return
    list(map(one, paths[:1]))  # read the tables once, before there are several processes
    from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
    from multiprocessing import get_context

    pending: deque[Any] = deque()
    with ProcessPoolExecutor(workers, get_context("fork")) as pool:
        try:
            for start in range(0, len(paths), _CHUNK):
                pending.append(pool.submit(_some, one, paths[start : start + _CHUNK]))
                if len(pending) > _AHEAD * workers:
                    yield from pending.popleft().result()
            for some in pending:
                yield from some.result()
        except BrokenExecutor:
            yield Answer(None, complaint="a helper process was ended from outside; try again.")


def _some(one: Callable[[Path], Answer], paths: list[Path]) -> list[Answer]:
    return [one(path) for path in paths]


def print_json(given: Iterable[Answer], out: TextIO) -> Iterator[Answer]:
    """``check --format json``, written as the answers come, so that memory stays flat."""
    empty = True
    out.write('{\n  "builds": [')
    for answer in given:
        if not answer.complaint:
            text = json.dumps(answer.shown, indent=2, ensure_ascii=False)
            out.write(("\n" if empty else ",\n") + "    " + text.replace("\n", "\n    "))
            empty = False
        yield answer
    out.write("]\n}\n" if empty else "\n  ]\n}\n")


def print_text(given: Iterable[Answer], out: TextIO) -> Iterator[Answer]:
    """``check``, a blank line between two files."""
    first = True
    for answer in given:
        if not answer.complaint:
            out.write(answer.shown if first else "\n" + answer.shown)
            first = False
        yield answer


def print_sarif(given: Iterable[Answer], out: TextIO) -> Iterator[Answer]:
    """``check --format sarif``: one run over all files."""
    from buildkit import sarif

    results: list[dict[str, Any]] = []
    complaints: list[str] = []
    for answer in given:
        if answer.complaint:
            complaints.append(answer.complaint)
        else:
            results += answer.shown
        yield answer
    json.dump(sarif.log(results, complaints), out, indent=2, ensure_ascii=False)
    out.write("\n")


def _as_text(paint: terminal.Paint) -> Callable[[Report], Any]:
    from buildkit import report

    return partial(report.check_text, paint=paint)


def _as_json(_: terminal.Paint) -> Callable[[Report], Any]:
    from buildkit import report

    return report.build_json


def _as_sarif(_: terminal.Paint) -> Callable[[Report], Any]:
    from buildkit import sarif

    return sarif.results


Printer = Callable[[Iterable[Answer], TextIO], Iterator[Answer]]
FORMATS: dict[str, tuple[Printer, Callable[[terminal.Paint], Callable[[Report], Any]]]] = {
    "text": (print_text, _as_text),
    "json": (print_json, _as_json),
    "sarif": (print_sarif, _as_sarif),
}


def run(paths: Iterable[Path], tables: Tables, form: str, *, strict: bool) -> int:
    """Check files and folders, print what was found, and give the exit code."""
    files, unread = found(paths)
    printer, shower = FORMATS[form]
    show = shower(terminal.paint_for(sys.stdout))
    faulty = False
    for answer in printer(answers(files, tables, show), sys.stdout):
        faulty = faulty or bool(answer.errors or (strict and answer.warnings))
        if answer.complaint:
            unread.append(answer.complaint)
    sys.stdout.flush()
    for complaint in unread:
        complaints.say(terminal.safe(complaint))
    return 2 if unread else 1 if faulty else 0
