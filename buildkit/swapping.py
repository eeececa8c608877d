"""A folder's files replaced by others at once: a kill leaves the old ones or the new ones.

A fresh folder is filled beside the old one, with links to what else was there,
and the system exchanges the two names in one step.  Where it cannot, or must
not since the command itself stands in that folder, files are moved one by one
with a list from which the next run puts the old ones back.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

MOST_OTHERS = 500  # files that are not ours, above which a folder is not made anew
_LIST = "names.json"
_STALE_S = 3600  # without locks, what is older was left by a kill


class _CannotSwap(Exception):
    """The names cannot be exchanged here."""


@contextlib.contextmanager
def alone(into: Path) -> Iterator[Path]:
    """The folder that ``into`` means, for this process alone, and mended after a kill."""
    folder = Path(os.path.realpath(into))
    folder.parent.mkdir(parents=True, exist_ok=True)
    descriptor = None
    try:
        if fcntl is not None:
            with contextlib.suppress(OSError):  # not ours to read, or a drive without locks
                descriptor = os.open(folder.parent, os.O_RDONLY)
                fcntl.flock(descriptor, fcntl.LOCK_EX)
        _mend(folder)
        yield folder
    finally:
        if descriptor is not None:
            os.close(descriptor)


def replace(files: Mapping[str, bytes], folder: Path) -> None:
    """Put ``files`` into the folder, all of them or, with OSError, none."""
    if folder.exists() and not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder))
    if folder.exists() and not os.access(folder, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(folder))
    try:
        _swap(files, folder)
    except _CannotSwap:
        folder.mkdir(exist_ok=True)
        _move(files, folder)


def _mend(folder: Path) -> None:
    """Clear away what a killed run left, its moves undone."""
    for place, prefix in ((folder.parent, _beside(folder)), (folder, ".writing-")):
        names = os.listdir(place) if place.is_dir() and os.access(place, os.R_OK) else []
        for stage in [place / name for name in names if name.startswith(prefix)]:
            if fcntl is None and time.time() - stage.stat().st_mtime < _STALE_S:
                continue
            if place == folder:
                _undo(stage, folder)
            shutil.rmtree(stage, ignore_errors=True)


def _beside(folder: Path) -> str:
    return f".{folder.name}.writing-"


# --- exchanging two folders --------------------------------------------------


def _swap(files: Mapping[str, bytes], folder: Path) -> None:
    others = _others(files, folder)
    try:
        stage = Path(tempfile.mkdtemp(prefix=_beside(folder), dir=folder.parent))
    except PermissionError:
        raise _CannotSwap from None
    try:
        _fill(stage, files)
        for name in others:
            _carry(folder / name, stage / name)
        if folder.exists():
            shutil.copystat(folder, stage)
            _exchange(stage, folder)
        else:
            stage.chmod(0o777 & ~_umask())
            os.rename(stage, folder)
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _others(files: Mapping[str, bytes], folder: Path) -> list[str]:
    """What else is in the folder, folders before what is in them."""
    if not folder.exists():
        return []
    here = Path.cwd()
    if folder in (here, *here.parents) or os.path.ismount(folder):
        raise _CannotSwap
    found: list[str] = []
    for root, folders, names in os.walk(folder):
        below = os.path.relpath(root, folder)
        found += [os.path.normpath(os.path.join(below, name)) for name in (*folders, *names)]
        if len(found) > MOST_OTHERS:
            raise _CannotSwap
    ours = {os.path.normpath(name) for name in files}
    return [name for name in found if name not in ours]


def _fill(folder: Path, files: Mapping[str, bytes]) -> None:
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)


def _carry(source: Path, target: Path) -> None:
    """The same file, folder or link under another name."""
    if source.is_symlink():
        os.symlink(os.readlink(source), target)
    elif source.is_dir():
        target.mkdir(exist_ok=True)
        shutil.copystat(source, target)
    elif source.is_file():
        try:
            os.link(source, target)
        except OSError:
            shutil.copy2(source, target)
    else:
        raise _CannotSwap  # a pipe or a device: leave it where it is


def _exchange(first: Path, second: Path) -> None:
    """Each takes the other's name, in one step (renameat2(2), renamex_np(2))."""
    names = os.fsencode(first), os.fsencode(second)
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "darwin":
            failed = libc.renamex_np(*names, 2)
        else:
            failed = libc.renameat2(-100, names[0], -100, names[1], 2)
    except (OSError, AttributeError, TypeError):
        raise _CannotSwap from None
    if failed:
        raise _CannotSwap


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


# --- moving one by one -------------------------------------------------------


def _move(files: Mapping[str, bytes], folder: Path) -> None:
    stage = Path(tempfile.mkdtemp(prefix=".writing-", dir=folder))
    try:
        new, old = stage / "new", stage / "old"
        _fill(new, files)
        for name in files:
            for place in (old, folder):
                (place / name).parent.mkdir(parents=True, exist_ok=True)
        there = {name: (folder / name).exists() for name in files}
        _note(stage / _LIST, there)
        try:
            for name, was in there.items():
                if was:
                    os.replace(folder / name, old / name)
                os.replace(new / name, folder / name)
        except OSError:
            _undo(stage, folder)
            raise
        os.unlink(stage / _LIST)  # from here on the new files stand
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _note(path: Path, there: Mapping[str, bool]) -> None:
    """The list is there whole or not at all."""
    draft = path.with_suffix(".draft")
    draft.write_text(json.dumps(there), encoding="utf-8")
    os.replace(draft, path)


def _undo(stage: Path, folder: Path) -> None:
    """Put the old files back; the same again does no harm."""
    try:
        there = json.loads((stage / _LIST).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return
    for name, was in there.items():
        if was and (stage / "old" / name).exists():
            os.replace(stage / "old" / name, folder / name)
        elif not was and not (stage / "new" / name).exists():
            (folder / name).unlink(missing_ok=True)
    os.unlink(stage / _LIST)
