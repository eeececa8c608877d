"""Compiles a sketch for an AVR board, as the board's own core would.

The core and the libraries that come with it are compiled once for each chip,
clock and variant, and kept in a cache; a sketch then takes a second or two.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

CORE_ROOT = Path("/usr/share/arduino/hardware/arduino/avr")
LIBRARIES = ("SoftwareSerial", "Wire", "EEPROM")
DEBIAN_PACKAGES = (
    "arduino-core-avr",
    "gcc-avr",
    "avr-libc",
    "binutils-avr",
    "gcc",
    "libc6-dev",
    "libsimavr-dev",
)

# The flags of the core's own platform.txt, so that size and timing are those of
# a sketch uploaded in the usual way.
_COMMON = ("-c", "-g", "-Os", "-ffunction-sections", "-fdata-sections", "-flto")
_C = (*_COMMON, "-std=gnu11", "-fno-fat-lto-objects")
_CPP = (*_COMMON, "-std=gnu++11", "-fno-exceptions", "-fno-threadsafe-statics")
_ASM = ("-c", "-g", "-x", "assembler-with-cpp", "-flto")
_LINK = ("-Os", "-g", "-flto", "-fuse-linker-plugin", "-Wl,--gc-sections")
# What the core's tool adds by itself for one chip, whose flash takes long jumps.
_LINK_MORE = {"atmega2560": ("-Wl,--relax",)}


class ToolchainMissing(Exception):
    """A program or file that the rehearsal needs is not installed."""


class CompileFailed(Exception):
    """The compiler refused the sketch; `output` is what it said."""

    def __init__(self, message: str, output: str) -> None:
        super().__init__(f"{message}\n{output}".rstrip())
        self.output = output


@dataclass(frozen=True)
class AvrCore:
    """Which chip, clock (Hz) and pin variant of the core to compile for."""

    mcu: str
    clock_hz: int
    variant: str
    defines: tuple[str, ...] = ()


@dataclass(frozen=True)
class Compiled:
    """A linked sketch: its ELF file, the flash and the static RAM it takes, in bytes."""

    elf: Path
    flash_bytes: int
    ram_bytes: int


def compile_sketch(
    ino: Path, core: AvrCore, into: Path, *, warnings_as_errors: bool = True
) -> Compiled:
    """Compile the sketch `ino` for `core` and leave its ELF file in the folder `into`.

    Warnings about the sketch itself count as errors unless `warnings_as_errors`
    is off; warnings inside the core's headers never do.
    Raises ToolchainMissing or CompileFailed.
    """
    archive = core_archive(core)
    into.mkdir(parents=True, exist_ok=True)
    sketch_object = into / f"{ino.stem}.o"
    elf = into / f"{ino.stem}.elf"
    command = [
        _tool("avr-g++"), *_CPP, *_target(core), "-Wall", "-Wextra",
        "-x", "c++", str(ino), "-o", str(sketch_object),
    ]  # fmt: skip
    said = run(command, f"{ino.name} does not compile for the {core.mcu}")
    # The core's directories cannot be given with -isystem, which would be simpler:
    # this compiler then takes their C++ headers for C.
    if warnings_as_errors and _warns_about(ino, said):
        raise CompileFailed(f"{ino.name} compiles with warnings", said)
    run(
        [_tool("avr-gcc"), *_LINK, *_LINK_MORE.get(core.mcu, ()), f"-mmcu={core.mcu}", "-o", str(elf),
         str(sketch_object), str(archive), "-lm"],
        f"{ino.name} does not link for the {core.mcu}",
    )  # fmt: skip
    sizes = section_sizes(elf)
    flash = sizes.get(".text", 0) + sizes.get(".data", 0)
    ram = sum(sizes.get(name, 0) for name in (".data", ".bss", ".noinit"))
    return Compiled(elf, flash, ram)


def core_archive(core: AvrCore) -> Path:
    """The core and its libraries compiled for `core`, from the cache or made now.

    Raises ToolchainMissing or CompileFailed.
    """
    _require_core(core)
    compiler = run([_tool("avr-gcc"), "-dumpversion"], "avr-gcc does not start").strip()
    key = _digest(repr(core), _core_version(), compiler, repr((_C, _CPP, _ASM, LIBRARIES)))
    return cached(f"core-{core.mcu}-{key}.a", lambda made: _build_archive(core, made))


def section_sizes(elf: Path) -> dict[str, int]:
    """Bytes of every section of `elf`, by name. Raises ToolchainMissing or CompileFailed."""
    listing = run([_tool("avr-size"), "-A", str(elf)], f"{elf.name} cannot be measured")
    rows = re.findall(r"^(\.\S+)\s+(\d+)\s+\d+\s*$", listing, re.MULTILINE)
    return {name: int(size) for name, size in rows}


def symbol_addresses(elf: Path) -> dict[str, int]:
    """RAM addresses of the variables in `elf`, by their C++ name, without the linker's offset.

    Raises ToolchainMissing or CompileFailed.
    """
    ram_offset = 0x800000  # the linker puts RAM there, apart from flash
    return {name: at - ram_offset for name, at in variables(_tool("avr-nm"), elf).items()}


def variables(nm: str, program: Path) -> dict[str, int]:
    """Addresses of the variables of a program, by their C++ name.  Raises CompileFailed."""
    listing = run([nm, "-C", str(program)], f"{program.name} has no symbol table")
    found: dict[str, int] = {}
    for address, name in re.findall(r"^([0-9a-f]+) [BbDdVv] (.+)$", listing, re.MULTILINE):
        # Link-time optimisation may rename a static variable `x` to `x.lto_priv.3`.
        plain = re.sub(r"(\.lto_priv)?\.\d+$|\.lto_priv$", "", name)
        found.setdefault(plain, int(address, 16))
    return found


def cached(name: str, build: Callable[[Path], None]) -> Path:
    """The file `name` of the cache; `build(path)` makes it when it is not there.

    Made under another name and then renamed, so two runs at once cannot meet a
    half-written file.
    """
    kept = _cache_dir() / name
    if kept.exists():
        return kept
    kept.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=kept.parent, prefix=".making-") as making:
        made = Path(making) / name
        build(made)
        made.replace(kept)
    return kept


def build_host_program(sources: Sequence[Path], headers: Sequence[Path], name: str) -> Path:
    """The program made of the C files `sources`, linked with the simulator library, cached.

    Raises ToolchainMissing or CompileFailed.
    """
    compiler = _tool("cc", "gcc")
    if not Path("/usr/include/simavr/sim_avr.h").exists():
        raise _missing("the simulator library")
    content = "".join(path.read_text("utf-8") for path in (*sources, *headers))
    command = [
        compiler, "-O2", "-std=gnu11", "-Wall", "-Wextra", "-Werror",
        "-isystem", "/usr/include/simavr", *map(str, sources), "-lsimavr",
    ]  # fmt: skip

    def build(made: Path) -> None:
        run([*command, "-o", str(made)], "the chip engine does not compile")

    return cached(f"{name}-{_digest(content, repr(command))}", build)


def _build_archive(core: AvrCore, archive: Path) -> None:
    sources = [
        path
        for folder in _source_folders(core)
        for path in sorted(folder.rglob("*"))
        if path.suffix in (".c", ".cpp", ".S")
    ]
    with tempfile.TemporaryDirectory(dir=archive.parent) as work:
        objects = [
            Path(work) / f"{number:02d}-{path.name}.o" for number, path in enumerate(sources)
        ]
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            list(
                pool.map(
                    lambda pair: _compile_core_file(core, *pair), zip(sources, objects, strict=True)
                )
            )
        run(
            [_tool("avr-gcc-ar"), "rcs", str(archive), *map(str, objects)],
            "the core cannot be packed",
        )


def _compile_core_file(core: AvrCore, source: Path, target: Path) -> None:
    program, flags = {
        ".c": ("avr-gcc", _C),
        ".cpp": ("avr-g++", (*_CPP, "-fpermissive")),
        ".S": ("avr-gcc", _ASM),
    }[source.suffix]
    command = [_tool(program), *flags, "-w", *_target(core), str(source), "-o", str(target)]
    run(command, f"the core's {source.name} does not compile for the {core.mcu}")


def _source_folders(core: AvrCore) -> list[Path]:
    libraries = [CORE_ROOT / "libraries" / name / "src" for name in LIBRARIES]
    return [CORE_ROOT / "cores/arduino", CORE_ROOT / "variants" / core.variant, *libraries]


def _target(core: AvrCore) -> list[str]:
    """Chip, clock, defines and include directories, the same for core and sketch."""
    defines = ("ARDUINO=10819", "ARDUINO_ARCH_AVR", "DECIMAL_DIG=__DECIMAL_DIG__", *core.defines)
    return [
        f"-mmcu={core.mcu}",
        f"-DF_CPU={core.clock_hz}L",
        *(f"-D{define}" for define in defines),
        *(f"-I{folder}" for folder in _source_folders(core)),
    ]


def _warns_about(ino: Path, said: str) -> bool:
    return any(line.startswith(f"{ino}:") and "warning:" in line for line in said.splitlines())


def _require_core(core: AvrCore) -> None:
    if not (CORE_ROOT / "platform.txt").exists():
        raise _missing("the board core")
    if not (CORE_ROOT / "variants" / core.variant).is_dir():
        raise ToolchainMissing(
            f"The installed board core has no variant '{core.variant}'. "
            f"Update it: sudo apt-get install arduino-core-avr"
        )


def _core_version() -> str:
    found = re.search(
        r"^version=(.+)$", (CORE_ROOT / "platform.txt").read_text("utf-8"), re.MULTILINE
    )
    return found.group(1) if found else "unknown"


def _tool(*names: str) -> str:
    for name in names:
        path = shutil.which(name)
        if path:
            return path
    raise _missing(f"the program '{names[0]}'")


def _missing(what: str) -> ToolchainMissing:
    return ToolchainMissing(
        f"The rehearsal on the chip needs {what}, which is not installed. "
        f"On Debian or Ubuntu: sudo apt-get install {' '.join(DEBIAN_PACKAGES)}"
    )


def run(command: Sequence[str], failure: str) -> str:
    """Run `command`; what it said, both streams. Raises CompileFailed with `failure`."""
    # Messages of the compiler are parsed, so they must not be translated.
    environment = {**os.environ, "LC_ALL": "C"}
    done = subprocess.run(
        command, capture_output=True, text=True, errors="replace", env=environment, check=False
    )
    said = done.stdout + done.stderr
    if done.returncode != 0:
        raise CompileFailed(f"{failure}:", said)
    return said


def _cache_dir() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "buildkit"


def _digest(*texts: str) -> str:
    return hashlib.sha256("\0".join(texts).encode()).hexdigest()[:16]
