"""The command line without its long start.

Typer turns every value through pydantic, which takes longer to import than a
check takes.  Ours are words, flags and paths, for which a plain conversion
gives the same; ``tests/test_swift.py`` compares the two.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin

import typer
from typer.core import TyperCommand, TyperGroup

F = TypeVar("F", bound=Callable[..., Any])


class _Plain:
    """Stands where Typer would build a pydantic adapter for a parameter."""

    def __init__(self, kind: Any, many: bool) -> None:
        self.kind = kind
        self.many = many

    def coerce(self, value: Any, param: Any, ctx: Any) -> Any:
        if value is None:
            return () if self.many else None
        return [self.kind(item) for item in value] if self.many else self.kind(value)


def _word(annotation: Any) -> tuple[Any, bool] | None:
    """How a value of that type is made, and whether it is a list; None when Typer should."""
    many = get_origin(annotation) is list
    inner = [kind for kind in get_args(annotation) or (annotation,) if kind is not type(None)]
    return (inner[0], many) if inner in ([str], [Path], [bool]) else None


def _ease(params: list[Any]) -> None:
    """Let parameters be converted plainly, where that is the same."""
    for param in params:
        described = getattr(param, "type_descriptor", None)
        how = _word(described.annotation) if described is not None else None
        if how is not None and getattr(param, "_runtime_param", param) is None:
            param._runtime_param = _Plain(*how)


class Command(TyperCommand):
    """A command whose values are converted plainly."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the words behind the command."""
        _ease(self.get_params(ctx))
        return super().parse_args(ctx, args)


ORDER = (
    "start", "check", "write", "pins", "move", "rehearse", "tune", "record",
    "boards", "parts", "explain", "schema",
)  # fmt: skip


class _Group(TyperGroup):
    def list_commands(self, ctx: Any) -> list[str]:
        """The commands in the order in which a builder meets them."""
        return sorted(super().list_commands(ctx), key=ORDER.index)

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        _ease(self.get_params(ctx))
        return super().parse_args(ctx, args)


class App(typer.Typer):
    """Typer, made quick."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(cls=_Group, **settings)

    def command(self, name: str | None = None, **settings: Any) -> Callable[[F], F]:
        """Put a function into the command line."""
        return super().command(name, **{"cls": Command, **settings})
