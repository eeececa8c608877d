"""What goes to stderr: why a call came to nothing.

A program that reads it gets a line each; on a terminal they are wrapped for a reader.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING, NoReturn

import typer

if TYPE_CHECKING:
    from buildkit.model import Fault


def say(text: str) -> None:
    """A sentence of the command itself."""
    _print(f"buildkit: {text}")


def fail(text: str) -> NoReturn:
    """A fault of the call, which ends it with exit code 2."""
    say(text)
    raise typer.Exit(2)


def refuse(faults: Iterable[Fault]) -> NoReturn:
    """Faults of a user's own file, each at its place, which end the call with exit code 1."""
    for fault in faults:
        _print(f"{fault.at}: {fault.rule} {fault.message}. {fault.fix}")
    raise typer.Exit(1)


def _print(text: str) -> None:
    if sys.stderr.isatty():
        from buildkit.pages import WIDTH, wrapped

        lines = (wrapped(line, "") if len(line) > WIDTH else [line] for line in text.split("\n"))
        text = "\n".join(part for line in lines for part in line)
    print(text, file=sys.stderr)
