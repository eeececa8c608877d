"""The C++ compiler of this computer: the system's, or the one that the extra brings from PyPI."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from buildkit.rehearsal.toolchain import ToolchainMissing, run

DATA, BSS = "sketch_data", "sketch_bss"


@dataclass(frozen=True)
class Compiler:
    """How a C++ compiler is called, and what puts a sketch's variables into sections of their own.

    That is ``objcopy``, afterwards, or where it is None a pragma, which the compiler knows.
    """

    command: tuple[str, ...]
    objcopy: str | None

    def version(self) -> str:
        """What it says of itself.  Raises CompileFailed."""
        return run([*self.command, "--version"], "the compiler does not start")

    def knows(self, flag: str) -> bool:
        """Whether it takes a flag."""
        asked = [*self.command, flag, "-x", "c++", "-fsyntax-only", os.devnull]
        return subprocess.run(asked, capture_output=True, check=False).returncode == 0

    def apart(self) -> str:
        """The line at the head of a source that sets its variables apart; may be empty."""
        return "" if self.objcopy else f'#pragma clang section bss="{BSS}" data="{DATA}"\n'

    def set_apart(self, made: Path) -> None:
        """The same, done to a compiled source that has no such line.  Raises CompileFailed."""
        if self.objcopy:
            renamed = [f"--rename-section=.data={DATA}", f"--rename-section=.bss={BSS}"]
            run([self.objcopy, *renamed, str(made)], f"{made.name} cannot be prepared")


def find() -> Compiler:
    """The first of the compilers that is there.  Raises ToolchainMissing."""
    gcc, objcopy, clang = (shutil.which(name) for name in ("g++", "objcopy", "clang++"))
    if gcc and objcopy:
        return Compiler((gcc,), objcopy)
    if clang:
        return Compiler((clang,), None)
    if find_spec("ziglang"):
        return Compiler((sys.executable, "-m", "ziglang", "c++"), None)
    raise ToolchainMissing(
        "The rehearsal on this computer needs a C++ compiler, and there is none. On Debian or "
        "Ubuntu: sudo apt-get install g++. Anywhere: pip install 'buildkit[compiler]', some "
        "400 MB, whose first rehearsal takes a minute longer."
    )
