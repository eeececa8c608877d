"""Pieces of a written sketch, compiled for this computer and run here.

What is cut out is the sketch's own text; only what surrounds it on a board
(pins, buses) is put in its place by the tests.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

# Overflow and other undefined arithmetic must not pass unseen.
FLAGS = ("-std=gnu++11", "-O1", "-Wall", "-Wextra", "-Werror", "-fsanitize=undefined",
         "-fno-sanitize-recover=all")  # fmt: skip

HEAD = """
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#define HIGH 1
#define LOW 0
#define OUTPUT 1
#define PROGMEM
static inline void digitalWrite(uint8_t, uint8_t) {}
static inline void pinMode(uint8_t, uint8_t) {}
static inline uint32_t millis() { return 0; }
static uint32_t now_ms __attribute__((unused));  // when the pass began
static inline uint16_t pgm_read_word(const uint16_t *at) { return *at; }
"""


def cut(sketch: str, opening: str) -> str:
    """A function, struct or table of the sketch, from its opening words to its last brace."""
    start = sketch.index(opening)
    depth = 0
    for at in range(sketch.index("{", start), len(sketch)):
        depth += {"{": 1, "}": -1}.get(sketch[at], 0)
        if depth == 0:
            return sketch[start : at + 1] + (";" if sketch[at + 1 : at + 2] == ";" else "")
    raise AssertionError(f"'{opening}' has no last brace")


def narrow(code: str) -> str:
    """The same code with its long constants 32 bits wide, as the boards have them."""
    code = re.sub(r"\b(\d+)UL\b", r"UINT32_C(\1)", code)
    return re.sub(r"\b(\d+)L\b", r"INT32_C(\1)", code)


def build(source: str, into: Path, name: str = "harness") -> Path:
    """The program made of C++ text; a compiler that is not there is a failure."""
    compiler = shutil.which("g++")
    assert compiler is not None, "g++ is not installed: sudo apt-get install g++"
    text, program = into / f"{name}.cpp", into / name
    text.write_text(HEAD + source, encoding="utf-8")
    command = [compiler, *FLAGS, str(text), "-o", str(program)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return program


def ask(program: Path, question: str) -> str:
    """What the program says to a question on its standard input."""
    done = subprocess.run(
        [str(program)], input=question, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
