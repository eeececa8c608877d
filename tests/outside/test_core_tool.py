"""Written sketch folders in the usual core tool: Debian's arduino-builder and its ctags.

The tool turns an .ino into C++ by declaring the free functions that it finds, in front of the
first of them.  A function that takes a type of the sketch's own would so be declared before the
type: a sketch that any C++ compiler takes, and that no reader could upload.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from buildkit import sketch
from buildkit.model import Refused
from buildkit.rehearsal import toolchain
from buildkit.rehearsal.engines import core_of
from tests.chip_world import AVR_BOARDS, EXAMPLE_NAMES, circuit_of, example_text
from tests.outside.test_control_agrees import BOARDS
from tests.outside.test_memory import CASES, HEAD

pytestmark = pytest.mark.slow

HARDWARE = ("/usr/share/arduino-builder", "/usr/share/arduino/hardware")
# As the tool's own platform.txt calls it.
CTAGS = ("arduino-ctags", "-u", "--language-force=c++", "-f", "-", "--c++-kinds=svpf",
         "--fields=KSTtzns")  # fmt: skip


def _program(name: str) -> str:
    path = shutil.which(name)
    assert path is not None, f"{name} is not installed: sudo apt-get install arduino-builder"
    return path


@pytest.fixture(scope="module")
def core_cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("core-cache")


@pytest.mark.parametrize("board", AVR_BOARDS)
@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_a_sketch_folder_compiles_under_the_name_in_its_head(
    name: str, board: str, core_cache: Path, tmp_path: Path
) -> None:
    circuit = circuit_of(example_text(name, board))
    text = sketch.render(circuit)
    known_as = re.search(r"^// Core tools know it as (\S+)\.$", text, re.MULTILINE)
    assert known_as is not None
    ino, built = tmp_path / name / f"{name}.ino", tmp_path / "built"
    ino.parent.mkdir()
    built.mkdir()
    ino.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [_program("arduino-builder"), "-compile", *(w for at in HARDWARE for w in ("-hardware", at)),
         "-tools", "/usr/bin", "-fqbn", known_as[1], "-build-path", str(built),
         "-build-cache", str(core_cache), "-warnings", "all",
         # What Debian's avr-libc lacks, for a file of the core that no sketch of ours uses.
         "-prefs", "compiler.cpp.extra_flags=-DDECIMAL_DIG=__DECIMAL_DIG__", str(ino)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    said = done.stdout + done.stderr
    assert done.returncode == 0, said
    assert not re.search(rf"{re.escape(ino.name)}:\d+:\d+: warning", said), said
    uses = re.search(r"Sketch uses (\d+) bytes", said)
    assert uses is not None, said
    # What the chip engine runs is what is uploaded; in another order, a few calls are shorter.
    ours = toolchain.compile_sketch(ino, core_of(circuit), tmp_path / "ours")
    assert int(uses[1]) == pytest.approx(ours.flash_bytes, rel=0.01)


def _sketches(into: Path, board: str) -> list[Path]:
    """Sketches of all parts and what goes with them, for a board."""
    made = []
    for number, case in enumerate(CASES.values()):
        try:
            circuit = circuit_of(f"{HEAD}board: {board}\n{case}")
        except (Refused, AssertionError):  # of another voltage, or with more wires than pins
            continue
        made.append(into / f"{board}-{number}.ino")
        made[-1].write_text(sketch.render(circuit), encoding="utf-8")
    return made


@pytest.mark.parametrize("board", BOARDS)
def test_no_free_function_needs_a_type_of_the_sketch(board: str, tmp_path: Path) -> None:
    files = _sketches(tmp_path, board)
    assert len(files) > len(CASES) / 2
    functions = 0
    for file in files:
        text = file.read_text(encoding="utf-8")
        own = set(re.findall(r"^(?:template .*\n)?(?:struct|class|enum) (\w+)", text, re.MULTILINE))
        own |= set(re.findall(r"^typedef .* (\w+);", text, re.MULTILINE))
        assert {"Timer", "Probe", "steps_t", "sum_t"} <= own
        found = subprocess.run(
            [_program(CTAGS[0]), *CTAGS[1:], str(file)], capture_output=True, text=True, check=True
        )
        for tag in found.stdout.splitlines():
            if "kind:function" not in tag or "\tstruct:" in tag or "\tclass:" in tag:
                continue
            functions += 1
            told = tag.split('/;"', 1)[1] + tag.split("\t/^", 1)[1].split("{")[0]
            assert not own & set(re.findall(r"\w+", told)), f"{file.name}: {tag}"
    assert functions > 10 * len(files)
