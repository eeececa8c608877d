"""From one YAML file to a checked circuit, a complete sketch and a wiring list.

As a library::

    from pathlib import Path
    from buildkit import Tables, check, load, move, seat

    tables = Tables()
    build = load(Path("mine.yaml"), tables)      # raises Refused, CannotOpen
    circuit = seat(build)                        # pins for open terminals, and why
    report = check(Path("mine.yaml"), tables)    # every finding
    there = move(build, tables.board("atmega2560-5v"), tables)

Each name is read when it is first asked for, so that ``import buildkit`` costs
next to nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from buildkit.buildfile import load as load
    from buildkit.checking import Report as Report
    from buildkit.checking import check as check
    from buildkit.circuit import Circuit as Circuit
    from buildkit.document import CannotOpen as CannotOpen
    from buildkit.model import Board as Board
    from buildkit.model import Build as Build
    from buildkit.model import Finding as Finding
    from buildkit.model import Refused as Refused
    from buildkit.moving import Move as Move
    from buildkit.moving import Verdict as Verdict
    from buildkit.moving import move as move
    from buildkit.moving import survey as survey
    from buildkit.seating import seat as seat
    from buildkit.shortage import Shortage as Shortage
    from buildkit.shortage import shortage_of as shortage_of
    from buildkit.tables import Tables as Tables

__version__ = "0.1.0"

_HOME = {
    "load": "buildfile",
    "Report": "checking",
    "check": "checking",
    "Circuit": "circuit",
    "CannotOpen": "document",
    "Board": "model",
    "Build": "model",
    "Finding": "model",
    "Refused": "model",
    "Move": "moving",
    "Verdict": "moving",
    "move": "moving",
    "survey": "moving",
    "seat": "seating",
    "Shortage": "shortage",
    "shortage_of": "shortage",
    "Tables": "tables",
}

__all__ = ["__version__", *sorted(_HOME)]  # noqa: PLE0604 - all of them are strings


def __getattr__(name: str) -> Any:
    """A public name, its module loaded on first use."""
    if name not in _HOME:
        raise AttributeError(f"module 'buildkit' has no attribute '{name}'")
    value = getattr(import_module(f"buildkit.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """The public names."""
    return sorted({*globals(), *_HOME})
