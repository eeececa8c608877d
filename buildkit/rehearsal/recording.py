"""Keeps a board's log as a trace, while it runs: whole rows only, over unplugging and resets."""

from __future__ import annotations

import importlib
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from buildkit.rehearsal.traces import LOG_HEAD

BEFORE = (
    "Opening the port resets many boards: the load rests, the log begins anew, and after that the "
    "sketch goes on by itself. Ctrl-C ends the recording; the file can be read at any time."
)
MISSING = (
    "recording needs the package pyserial, which is not installed: pip install 'buildkit[record]'"
)
_ROW = re.compile(r"(\d{1,10}),([a-z0-9_]*),(-?[0-9.]*),(-?[0-9.]*),([a-z0-9_]*),([a-z0-9 :-]*)")
_ROLL_OVER_MS = 2**32
_LOOK_S = 0.2  # how long one read waits
_AGAIN_S = 1.0  # between tries to open a port that is gone
_LONGEST = 200  # characters without a line end are no log


class CannotRecord(Exception):
    """The recording cannot begin; the message says why."""


@dataclass
class Rows:
    """Bytes as they come to whole rows of a log, with a head wherever the board began anew."""

    begun: bool = False  # a head is in the file
    rows: int = 0
    resets: int = 0
    strange: int = 0  # lines that are no rows of a log
    _text: bytes = b""
    _fresh: bool = True  # just opened: the first line may lack its beginning
    _last_ms: int = 0

    def opened(self) -> None:
        """The port was opened: what was left of the last line is of no use."""
        self._text = b""
        self._fresh = True

    def take(self, data: bytes) -> list[str]:
        """The rows that are whole now, ready for the file."""
        *whole, self._text = (self._text + data).split(b"\n")
        if len(self._text) > _LONGEST:
            self._text, self._fresh = b"", True
        kept: list[str] = []
        for raw in whole:
            kept += self._row(raw.decode("ascii", "replace").strip())
        return kept

    def _row(self, line: str) -> list[str]:
        first, self._fresh = self._fresh, False
        if line.endswith(LOG_HEAD):  # a fragment may stand before it, cut off by the reset
            return self._head()
        found = _ROW.fullmatch(line)
        if first or found is None:
            self.strange += bool(line) and not first
            return []
        ms = int(found[1])
        back = self.begun and 0 < self._last_ms - ms < _ROLL_OVER_MS // 2
        head = self._head() if back or not self.begun else []
        self._last_ms = ms
        self.rows += 1
        return [*head, line]

    def _head(self) -> list[str]:
        self.resets += self.begun
        self.begun, self._last_ms = True, 0
        return [LOG_HEAD]


@dataclass
class Recorder:
    """A port and a file, joined until ``stop`` is set."""

    port: str
    into: Path
    say: Callable[[str], None]
    baud: int
    stop: threading.Event = field(default_factory=threading.Event)
    rows: Rows = field(default_factory=Rows)

    def run(self) -> None:
        """Record.  Raises CannotRecord when the port or the file cannot be opened at first."""
        self.rows.begun = _continues(self.into)
        line = _open(self.port, self.baud)
        with self.into.open("a", encoding="ascii", newline="\n") as stream:
            while not self.stop.is_set():
                self._listen(line, stream)
                if not self.stop.is_set():
                    self.say(f"{self.port} is gone; waiting until it is back.")
                    line = self._again()
                    if line is not None:
                        self.say(f"{self.port} is back.")

    def _listen(self, line: Any, stream: TextIO) -> None:
        """Until the port is gone or the recording is over."""
        self.rows.opened()
        try:
            while line is not None and not self.stop.is_set():
                for row in self.rows.take(line.read(max(1, line.in_waiting))):
                    stream.write(row + "\n")
                stream.flush()
        except OSError:  # pyserial's own exception is one
            pass
        finally:
            if line is not None:
                line.close()

    def _again(self) -> Any:
        while not self.stop.wait(_AGAIN_S):
            try:
                return _open(self.port, self.baud)
            except CannotRecord:
                continue
        return None


def _continues(into: Path) -> bool:
    """Whether the file is a log to go on with.  Raises CannotRecord when it is something else."""
    if not into.exists() or into.stat().st_size == 0:
        return False
    with into.open("rb") as stream:
        if stream.readline().decode("ascii", "replace").strip() != LOG_HEAD:
            raise CannotRecord(f"{into} is there and is no log; choose another name.")
        stream.seek(-1, 2)
        if stream.read() != b"\n":
            raise CannotRecord(
                f"{into} ends in the middle of a row; mend it or choose another name."
            )
    return True


def _open(port: str, baud: int) -> Any:
    try:
        serial: Any = importlib.import_module("serial")
    except ModuleNotFoundError:
        raise CannotRecord(MISSING) from None
    try:
        return serial.Serial(port, baud, timeout=_LOOK_S)
    except (OSError, ValueError) as error:
        raise CannotRecord(_why_not(port, error)) from None


def _why_not(port: str, error: Exception) -> str:
    ports: Any = importlib.import_module("serial.tools.list_ports")
    if getattr(error, "errno", None) == 13:  # not allowed
        return f"{port} may not be opened. On Debian: sudo adduser $USER dialout, then log in anew."
    there = ", ".join(sorted(p.device for p in ports.comports())) or "none"
    return f"{port} cannot be opened. Ports that are there: {there}."
