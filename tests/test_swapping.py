"""Killed, full, read-only or twice at once: the old output whole or the new output whole."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from buildkit import swapping, writing

OLD = {"a/a.ino": "old sketch\n", "wiring.md": "old list\n", "wiring.csv": "1,old\n"}
NEW = {"a/a.ino": "new sketch\n", "wiring.md": "new list\n", "wiring.html": "<p>new\n"}
OWN = {"notes.txt": "mine\n", "photos/box.txt": "a picture\n"}


def tree(folder: Path) -> dict[str, str]:
    """What a person sees: every file but those whose name hides them."""
    return {
        str(path.relative_to(folder)): path.read_text()
        for path in folder.rglob("*")
        if path.is_file() and not any(p.startswith(".") for p in path.relative_to(folder).parts)
    }


def in_child(work: Callable[[], object]) -> int:
    """Exit code of a forked process that does the work: 0 done, 7 refused in our words."""
    pid = os.fork()
    if pid == 0:
        code = 99
        try:
            work()
            code = 0
        except writing.CannotWrite:
            code = 7
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


FILE_EVENTS = ("open", "os.", "shutil.")


def killed_at(step: int, folder: Path, chdir: bool) -> int:
    """Write NEW and die before the file operation of that number; 0 when there were fewer."""

    def work() -> None:
        if chdir:
            os.chdir(folder)
        count = 0

        def die() -> None:
            nonlocal count
            count += 1
            if count == step:
                os._exit(9)

        exchange = swapping._exchange

        def exchanged(first: Path, second: Path) -> None:
            die()  # ctypes calls raise no audit event
            exchange(first, second)
            die()

        swapping._exchange = exchanged
        sys.addaudithook(lambda event, _: die() if event.startswith(FILE_EVENTS) else None)
        writing.write(NEW, folder)

    return in_child(work)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    into = tmp_path / "out"
    writing.write(OLD, into)
    for name, text in OWN.items():
        (into / name).parent.mkdir(exist_ok=True)
        (into / name).write_text(text)
    return into


def whole_new(before: dict[str, str], tmp_path: Path) -> dict[str, str]:
    fresh = tmp_path / "fresh"
    writing.write(NEW, fresh)
    return {**before, **tree(fresh)}


def test_killed_at_every_file_operation(folder: Path, tmp_path: Path) -> None:
    before, spare = tree(folder), tmp_path / "spare"
    shutil.copytree(folder, spare)
    after = whole_new(before, tmp_path)
    seen = set()
    for step in range(1, 1000):
        code = killed_at(step, folder, chdir=False)
        now = tree(folder)
        assert now in (before, after), step
        seen.add(now == after)
        writing.write(NEW, folder)
        assert tree(folder) == after, step
        assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []
        if code == 0:
            break
        assert code == 9
        shutil.rmtree(folder)
        shutil.copytree(spare, folder)
    assert seen == {True, False}
    assert step > 20


@pytest.mark.slow
def test_killed_where_the_folder_must_stay(folder: Path, tmp_path: Path) -> None:
    """In the folder that it writes to, a killed run is undone or done by the next."""
    before, spare = tree(folder), tmp_path / "spare"
    shutil.copytree(folder, spare)
    after = whole_new(before, tmp_path)
    for step in range(1, 1000):
        code = killed_at(step, folder, chdir=True)
        with swapping.alone(folder):
            assert tree(folder) in (before, after), step
        assert [p.name for p in folder.iterdir() if p.name.startswith(".")] == []
        if code == 0:
            break
        shutil.rmtree(folder)
        shutil.copytree(spare, folder)
    assert tree(folder) == after
    assert step > 20


def test_killed_while_the_folder_is_first_made(tmp_path: Path) -> None:
    into = tmp_path / "new"
    step, code = 0, 9
    while code == 9:
        step += 1
        code = killed_at(step, into, chdir=False)
        assert not into.exists() or set(NEW) < set(tree(into))
        if code == 9 and into.exists():
            shutil.rmtree(into)
    assert code == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 64 KiB; where none can be mounted, a limit on a file's size does."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)],
        capture_output=True, check=False,
    )  # fmt: skip
    yield place
    if mounted.returncode == 0:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.parametrize("stands_in_it", [False, True])
def test_a_full_disk_leaves_the_old_files(small_disk: Path, stands_in_it: bool) -> None:
    into = small_disk / "out"
    writing.write(OLD, into)
    before = tree(into)

    def work() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536))
        if stands_in_it:
            os.chdir(into)
        writing.write({**NEW, "wiring.html": "x" * 100_000}, into)

    assert in_child(work) == 7
    assert tree(into) == before
    assert [p for p in (*into.iterdir(), *small_disk.iterdir()) if p.name.startswith(".")] == []


@pytest.mark.parametrize("closed", ["folder", "parent", "both"])
def test_a_folder_without_the_right_to_write(closed: str) -> None:
    with tempfile.TemporaryDirectory() as place:
        parent, into = Path(place), Path(place, "out")
        writing.write(OLD, into)
        before = tree(into)
        if os.getuid() == 0:
            for path in (parent, *parent.rglob("*")):
                os.chown(path, 65534, 65534)
        for path in {"folder": [into], "parent": [parent], "both": [into, parent]}[closed]:
            path.chmod(0o555)

        def work() -> None:
            if os.getuid() == 0:
                os.setuid(65534)
            writing.write({**OLD, "wiring.md": "new list\n"}, into)

        code = in_child(work)
        for path in (parent, into):
            path.chmod(0o755)
        wanted = {**before, "wiring.md": "new list\n"} if closed == "parent" else before
        assert code == (0 if closed == "parent" else 7)
        assert {name: text for name, text in tree(into).items() if name != "written.json"} == {
            name: text for name, text in wanted.items() if name != "written.json"
        }


def test_what_else_is_there_stays_as_it_is(folder: Path) -> None:
    (folder / "link").symlink_to("notes.txt")
    (folder / "nowhere").symlink_to("gone")
    number = (folder / "notes.txt").stat().st_ino
    folder.chmod(0o750)
    writing.write(NEW, folder)
    assert (folder / "notes.txt").stat().st_ino == number
    assert os.readlink(folder / "link") == "notes.txt"
    assert os.readlink(folder / "nowhere") == "gone"
    assert folder.stat().st_mode & 0o777 == 0o750
    assert tree(folder) | OWN == tree(folder)


def test_into_a_link(tmp_path: Path, folder: Path) -> None:
    (tmp_path / "way").symlink_to(folder)
    (tmp_path / "loose").symlink_to(tmp_path / "not-yet")
    for link, target in (("way", folder), ("loose", tmp_path / "not-yet")):
        paths = writing.write(NEW, tmp_path / link)
        assert (tmp_path / link).is_symlink()
        assert set(NEW) < set(tree(target))
        assert all(path.is_file() for path in paths)


def test_a_link_inside_leads_nowhere_else(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    into = tmp_path / "out"
    into.mkdir()
    (into / "a").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(writing.CannotWrite, match="link to another folder"):
        writing.write(NEW, into, force=True)
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_a_loop_of_links_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x").symlink_to(tmp_path / "y")
    (tmp_path / "y").symlink_to(tmp_path / "x")
    with pytest.raises(writing.CannotWrite):
        writing.write(NEW, tmp_path / "x")


@pytest.mark.parametrize("stands_in_it", [False, True])
def test_many_writers_at_once_leave_one_output_whole(tmp_path: Path, stands_in_it: bool) -> None:
    into = tmp_path / "out"
    texts = [{name: f"{name} by {n}\n" * 50 for name in OLD} for n in range(4)]
    writing.write(texts[0], into)

    def work(own: dict[str, str]) -> Callable[[], None]:
        def loop() -> None:
            if stands_in_it:
                os.chdir(into)
            for _ in range(25):
                writing.write(own, into)

        return loop

    pids = []
    for own in texts:
        pid = os.fork()
        if pid == 0:
            os._exit(in_child(work(own)))
        pids.append(pid)
    codes = [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids]
    assert codes == [0, 0, 0, 0]
    left = tree(into)
    left.pop("written.json")
    assert left in texts
