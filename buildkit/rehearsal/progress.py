"""A bar for what takes longer than two seconds; nothing where no terminal is."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

PATIENCE_S = 2.0
_EVERY_S = 0.25
_WIDE = 30

Tell = Callable[[float], None]
"""Takes the share that is done, 0 to 1."""


@contextmanager
def bar(what: str, stream: TextIO) -> Iterator[Tell]:
    """Show a bar while the block runs; until a share is told, only that it is at work."""
    share: list[float | None] = [None]
    over = threading.Event()
    thread = threading.Thread(target=_draw, args=(what, stream, share, over), daemon=True)
    if stream.isatty():
        thread.start()

    def tell(done: float) -> None:
        share[0] = min(max(done, 0.0), 1.0)

    try:
        yield tell
    finally:
        over.set()
        if thread.ident is not None:
            thread.join()


def _draw(what: str, stream: TextIO, share: list[float | None], over: threading.Event) -> None:
    began = time.monotonic()
    if over.wait(PATIENCE_S):
        return
    drawn = ""
    while not over.wait(_EVERY_S):
        drawn = line(what, share[0], time.monotonic() - began)
        stream.write(f"\r{drawn}")
        stream.flush()
    stream.write(f"\r{' ' * len(drawn)}\r")
    stream.flush()


def line(what: str, share: float | None, seconds: float) -> str:
    """The bar as it stands: filled as far as is known, else a mark that wanders."""
    if share is None:
        at = int(seconds / _EVERY_S) % _WIDE
        cells, tail = "." * at + "#" + "." * (_WIDE - at - 1), f"{seconds:4.0f} s"
    else:
        full = round(share * _WIDE)
        cells, tail = "#" * full + "." * (_WIDE - full), f"{share * 100:3.0f} % {seconds:4.0f} s"
    return f"{what[:30]} [{cells}] {tail}"
