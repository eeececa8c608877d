"""Compiling sketches: what passes, what is refused, and the cache."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from buildkit.rehearsal import toolchain
from buildkit.rehearsal.toolchain import AvrCore, CompileFailed, ToolchainMissing

CORE = AvrCore("atmega328p", 16_000_000, "standard", ("ARDUINO_AVR_UNO",))
PLAIN = "#include <Arduino.h>\nvoid setup() {}\nvoid loop() {}\n"


def written(tmp_path: Path, text: str) -> Path:
    sketch = tmp_path / "probe.ino"
    sketch.write_text(text, "utf-8")
    return sketch


def test_sizes_count_what_the_chip_must_hold(tmp_path: Path) -> None:
    small = toolchain.compile_sketch(written(tmp_path, PLAIN), CORE, tmp_path / "small")
    table = "volatile uint8_t zero[100];\nvolatile uint8_t set[50] = {1};\n"
    body = PLAIN.replace("setup() {}", "setup() { zero[0] = set[0]; }")
    large_sketch = written(tmp_path, body.replace("void setup", table + "void setup"))
    large = toolchain.compile_sketch(large_sketch, CORE, tmp_path / "large")
    assert large.ram_bytes - small.ram_bytes == 150
    assert 50 <= large.flash_bytes - small.flash_bytes <= 120
    assert 300 < small.flash_bytes < 800
    sections = toolchain.section_sizes(large.elf)
    assert sections[".bss"] >= 100


def test_warnings_about_the_sketch_are_errors(tmp_path: Path) -> None:
    sketch = written(tmp_path, PLAIN.replace("setup() {}", "setup() { int unused; }"))
    with pytest.raises(CompileFailed, match="unused variable") as caught:
        toolchain.compile_sketch(sketch, CORE, tmp_path / "out")
    assert "probe.ino" in caught.value.output
    toolchain.compile_sketch(sketch, CORE, tmp_path / "out", warnings_as_errors=False)


def test_an_error_carries_what_the_compiler_said(tmp_path: Path) -> None:
    with pytest.raises(CompileFailed) as caught:
        toolchain.compile_sketch(written(tmp_path, PLAIN + "nonsense"), CORE, tmp_path / "out")
    assert "nonsense" in caught.value.output
    assert "probe.ino does not compile for the atmega328p" in str(caught.value)


def test_the_libraries_of_the_core_can_be_used(tmp_path: Path) -> None:
    text = PLAIN.replace(
        "void setup() {}",
        "#include <EEPROM.h>\n#include <SoftwareSerial.h>\n#include <Wire.h>\n"
        "#include <avr/sleep.h>\n#include <avr/wdt.h>\n#include <util/atomic.h>\n"
        "static SoftwareSerial wire(8, 9);\n"
        "void setup() { wire.begin(9600); Wire.begin(); EEPROM.update(0, 1); }",
    )
    made = toolchain.compile_sketch(written(tmp_path, text), CORE, tmp_path / "out")
    assert made.flash_bytes > 2000


def test_a_missing_compiler_is_named_with_its_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ToolchainMissing, match=r"avr-gcc.*apt-get install .*gcc-avr"):
        toolchain.compile_sketch(written(tmp_path, PLAIN), CORE, tmp_path / "out")


def test_a_missing_core_is_named_with_its_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(toolchain, "CORE_ROOT", tmp_path / "nowhere")
    with pytest.raises(ToolchainMissing, match=r"apt-get install arduino-core-avr"):
        toolchain.compile_sketch(written(tmp_path, PLAIN), CORE, tmp_path / "out")


def test_an_unknown_variant_is_named(tmp_path: Path) -> None:
    core = AvrCore("atmega328p", 16_000_000, "nosuch")
    with pytest.raises(ToolchainMissing, match="no variant 'nosuch'"):
        toolchain.compile_sketch(written(tmp_path, PLAIN), core, tmp_path / "out")


@pytest.mark.slow
def test_two_runs_at_once_fill_one_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    program = (
        "from buildkit.rehearsal import chip, toolchain as t\n"
        "core = t.AvrCore('atmega328p', 16_000_000, 'standard', ('ARDUINO_AVR_UNO',))\n"
        "print(t.core_archive(core), chip.engine())"
    )
    runs = [
        subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    said = [run.communicate()[0] for run in runs]
    assert [run.returncode for run in runs] == [0, 0]
    assert said[0] == said[1]
    kept = sorted(path.name for path in (tmp_path / "cache/buildkit").iterdir())
    assert len(kept) == 2
    assert kept[0].startswith("chip-engine-")
    assert kept[1].startswith("core-atmega328p-")


def test_variables_are_found_by_name(tmp_path: Path) -> None:
    text = PLAIN.replace(
        "void setup() {}",
        "static volatile uint16_t count = 7;\n"
        "namespace inside { volatile uint8_t flag = 1; }\n"
        "void setup() { count++; inside::flag++; }",
    )
    made = toolchain.compile_sketch(written(tmp_path, text), CORE, tmp_path / "out")
    addresses = toolchain.symbol_addresses(made.elf)
    assert 0x100 <= addresses["count"] < 0x900
    assert 0x100 <= addresses["inside::flag"] < 0x900
    assert addresses["timer0_millis"] != addresses["count"]
