"""What was seen of a rehearsed sketch, told as figures: changes, readings, display rows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

from buildkit.circuit import Circuit
from buildkit.model import Display, Use
from buildkit.rehearsal import chip, lcd, traces
from buildkit.rehearsal.chip import ChipRun
from buildkit.rehearsal.engines import Ran
from buildkit.rehearsal.playing import load_port
from buildkit.rows import text_displays
from buildkit.scene import alarm_pin

_REWRITTEN_S = 150.0  # sketches write a display anew every minute


@dataclass(frozen=True, slots=True)
class Change:
    """A load switched: seconds, on or off, and why the sketch says it did."""

    t_s: float
    load: str
    state: str
    cause: str


class Row(NamedTuple):
    """A row of the sketch's log with a reading, in the part's own unit; None where it is empty."""

    t_s: float
    probe: str
    raw: float | None
    average: float | None


@dataclass(frozen=True)
class Outcome:
    """One rehearsal."""

    circuit: Circuit
    ran: Ran
    seconds: float
    changes: tuple[Change, ...]
    rows: tuple[Row, ...]
    dropped_lines: int

    @cached_property
    def _read(self) -> dict[str, list[float | None]]:
        """What each probe read, one after another; None where it was lost."""
        read: dict[str, list[float | None]] = {}
        for row in self.rows:
            read.setdefault(row.probe, []).append(row.raw)
        return read

    @property
    def readings(self) -> int:
        """Accepted readings, as the log counts them."""
        return len(self.rows) - self.lost_readings

    @property
    def lost_readings(self) -> int:
        """Lost readings, as the log counts them."""
        return sum(map(self.lost, self._read))

    def span(self, probe: str) -> tuple[float, float] | None:
        """The lowest and highest accepted reading of a probe; None without any."""
        values = [value for value in self._read.get(probe, []) if value is not None]
        return (min(values), max(values)) if values else None

    def lost(self, probe: str) -> int:
        """Lost readings of a probe."""
        return self._read.get(probe, []).count(None)

    @property
    def resets(self) -> list[tuple[float, str]]:
        """Seconds and causes of the starts after the first."""
        return [(reset.t_us / 1e6, reset.cause) for reset in self.ran.seen.resets[1:]]

    def starts(self, load: str) -> int:
        """How often a load was switched on."""
        return sum(1 for c in self.changes if c.load == load and c.state == "on")

    def on_s(self, load: str) -> float:
        """Seconds that a load ran."""
        return on_seconds(((c.t_s, c.state) for c in self.changes if c.load == load), self.seconds)

    @property
    def alarms(self) -> dict[str, list[tuple[float, float]]]:
        """From when to when (s) each alarm was raised; one that beeps counts as one throughout."""
        return {name: self._raised(alarm.use) for name, alarm in self.circuit.build.alarms.items()}

    def _raised(self, use: Use) -> list[tuple[float, float]]:
        figures = use.figures
        pause_s = figures["beep_every_ms"].value / 1000 if "beep_every_ms" in figures else 0.0
        spans: list[tuple[float, float]] = []
        since_s: float | None = None
        changes = self.ran.seen.pin_changes(alarm_pin(self.circuit, use).port)
        for t_us, state in [*changes, (self.seconds * 1e6, "end")]:
            t_s = t_us / 1e6
            if state == "high" and since_s is None:
                since_s = t_s
            elif state != "high" and since_s is not None:
                if spans and since_s - spans[-1][1] <= pause_s:
                    since_s = spans.pop()[0]
                spans.append((since_s, t_s))
                since_s = None
        return spans

    @cached_property
    def display(self) -> dict[str, list[str]]:
        """The rows of each display that can be read back, at the end."""
        return {
            d.use.name: self._rows_of(d) for d in text_displays(self.circuit.build) if _legible(d)
        }

    def _rows_of(self, display: Display) -> list[str]:
        use = display.use
        assert use.address is not None
        columns, count = int(use.figure("columns_count")), int(use.figure("rows_count"))
        seen = self.ran.seen
        tail = seen.i2c_writes(use.address, (self.seconds - _REWRITTEN_S) * 1e6)
        rows = lcd.rows_of_tail(tail, columns, count)
        return rows or lcd.decode_rows(seen.i2c_writes(use.address), columns, count)

    def to_json(self) -> dict[str, Any]:
        """The figures of a rehearsal as JSON has them."""
        loads = list(self.circuit.build.loads)
        on_s = sum(self.on_s(load) for load in loads)
        longest = self.ran.longest_loop_ms
        return {
            "engine": self.ran.engine,
            "seconds": round(self.seconds, 3),
            "readings": self.readings,
            "lost_readings": self.lost_readings,
            "starts": sum(self.starts(load) for load in loads),
            "on_fraction": round(on_s / self.seconds / len(loads), 4) if loads else 0.0,
            "loads": {
                load: {
                    "starts": self.starts(load),
                    "on_fraction": round(self.on_s(load) / self.seconds, 4),
                }
                for load in loads
            },
            "alarms": {
                name: [[round(from_s, 3), round(to_s, 3)] for from_s, to_s in spans]
                for name, spans in self.alarms.items()
            },
            "changes": [
                {"t_s": round(c.t_s, 3), "load": c.load, "state": c.state, "cause": c.cause}
                for c in self.changes
            ],
            "display": [row for rows in self.display.values() for row in rows],
            "longest_loop_ms": None if longest is None else round(longest, 3),
            "resets": len(self.resets),
            "reset_causes": [{"t_s": round(t_s, 3), "cause": cause} for t_s, cause in self.resets],
            "dropped_lines": self.dropped_lines,
            "probes": {
                name: {
                    "span": self.span(name),
                    "lost": self.lost(name),
                    "unit": probe.quantity.unit,
                }
                for name, probe in self.circuit.build.probes.items()
            },
        }


def _legible(display: Display) -> bool:
    """Whether its rows can be read back from the bus: a character display behind an expander."""
    return display.use.part.talks == "i2c" and "pcf8574" in display.use.part.id


def on_seconds(edges: Iterable[tuple[float, str]], end_s: float) -> float:
    """Seconds in state on, of edges in order of time, from rest."""
    total, since = 0.0, None
    for t_s, state in edges:
        if state == "on" and since is None:
            since = t_s
        elif state == "off" and since is not None:
            total += t_s - since
            since = None
    return total + (end_s - since if since is not None else 0.0)


def of(circuit: Circuit, ran: Ran, seconds: float) -> Outcome:
    """The figures of a run."""
    lines = _log_lines(circuit, ran.seen)
    rows, causes, dropped = _read_log(lines)
    changes = [
        change
        for load in circuit.build.loads
        for change in _with_causes(load, switched(circuit, ran.seen, load), causes.get(load, []))
    ]
    changes.sort(key=lambda change: change.t_s)
    return Outcome(circuit, ran, seconds, tuple(changes), tuple(rows), dropped)


def switched(circuit: Circuit, seen: ChipRun, load: str) -> list[tuple[float, str]]:
    """Seconds and new state (on, off) of a load, as its pin shows them."""
    switching = circuit.build.loads[load].use.part.switching
    assert switching is not None
    edges: list[tuple[float, str]] = []
    before = "off"
    for t_us, level in seen.pin_changes(load_port(circuit, load)):
        state = "on" if level == switching.active else "off"
        if state != before:
            edges.append((t_us / 1e6, state))
            before = state
    return edges


def _log_lines(circuit: Circuit, seen: ChipRun) -> list[tuple[float, str]]:
    board = circuit.board
    index = chip.USB if board.serial_ports[board.log_port] == "usb" else 0
    return [(t_us / 1e6, line) for t_us, line in seen.uart_lines(index)]


def _read_log(
    lines: Sequence[tuple[float, str]],
) -> tuple[list[Row], dict[str, list[tuple[float, str]]], int]:
    """Readings, causes of changes by load, and how many lines found no room.

    Times are those of the world, not of the board's own clock, which starts
    anew at a reset.
    """
    rows: list[Row] = []
    causes: dict[str, list[tuple[float, str]]] = {}
    known: dict[str, float | None] = {"": None}  # few numbers come again and again
    dropped, before = 0, ("", "")
    for t_s, line in lines:
        cells = line.split(",")
        if line == traces.LOG_HEAD or len(cells) != 6:
            continue  # a reset can cut a line short
        ms, probe, raw, average, load, state = cells
        if probe:
            if (ms, probe) != before:  # otherwise the same reading, for another load
                for text in (raw, average):
                    if text not in known:
                        known[text] = float(text)
                rows.append(Row(t_s, probe, known[raw], known[average]))
            before = ms, probe
        elif load:
            causes.setdefault(load, []).append((t_s, state))
        elif state.startswith("dropped "):
            dropped += int(state.removeprefix("dropped "))
    return rows, causes, dropped


def _with_causes(
    load: str, edges: Sequence[tuple[float, str]], said: Sequence[tuple[float, str]]
) -> Iterable[Change]:
    """Edges of the pin with what the log gives as the reason; a reset has none."""
    left = list(said)
    for t_s, state in edges:
        cause = "reset" if state == "off" else "not logged"
        for n, (said_s, text) in enumerate(left):
            told_state, _, why = text.partition(": ")
            if told_state == state and -0.05 <= said_s - t_s <= 2.0:
                cause = why
                del left[n]
                break
        yield Change(t_s, load, state, cause)
