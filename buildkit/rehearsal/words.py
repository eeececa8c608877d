"""A rehearsal told in text, at 80 columns."""

from __future__ import annotations

import textwrap

from buildkit.pages import WIDTH
from buildkit.rehearsal.faults import Fault
from buildkit.rehearsal.outcome import Outcome
from buildkit.rehearsal.rehearsing import Rehearsal
from buildkit.rehearsal.touches import Touched
from buildkit.rehearsal.tuning import Result, Tuned
from buildkit.rows import text_displays
from buildkit.terminal import safe

_MOST_CHANGES = 40
_MOST_SETTINGS = 8
_MOST_ALARMS = 6


def duration(seconds: float) -> str:
    """Seconds as days, hours, minutes and seconds, the two largest of them."""
    rest = round(seconds)
    names = (("d", 86400), ("h", 3600), ("min", 60), ("s", 1))
    found: list[str] = []
    for name, size in names:
        count, rest = divmod(rest, size)
        if count:
            found.append(f"{count} {name}")
    return " ".join(found[:2]) or "0 s"


def told(rehearsal: Rehearsal, faults: list[Fault], touched: list[Touched]) -> str:
    """What ``rehearse`` prints."""
    outcome = rehearsal.outcome
    build = outcome.circuit.build
    head = (
        f"{build.name} on {build.board.id}: {duration(outcome.seconds)} of {rehearsal.trace.file} "
        f"on the {outcome.ran.engine} engine"
    )
    lines = textwrap.wrap(safe(head), WIDTH, subsequent_indent="  ")
    for what, asked in (("faults", faults), ("by hand", touched)):
        if asked:
            lines += textwrap.wrap(f"{what}: {', '.join(map(str, asked))}", WIDTH, initial_indent="  ", subsequent_indent="    ")  # fmt: skip
    lines.append(f"  readings {outcome.readings}, lost {outcome.lost_readings}")
    if outcome.dropped_lines:
        lines.append(f"  rows that the log had no room for: {outcome.dropped_lines}")
    lines += _notes(rehearsal)
    lines += _probes(outcome)
    lines += _loads(outcome)
    lines += _alarms(outcome)
    lines += _changes(outcome)
    lines += _displays(outcome)
    lines.append(_last(outcome))
    return "\n".join(lines) + "\n"


def _notes(rehearsal: Rehearsal) -> list[str]:
    lines: list[str] = []
    for note in rehearsal.notes:
        lines += textwrap.wrap(note, WIDTH, initial_indent="  ", subsequent_indent="    ")
    return lines


def _probes(outcome: Outcome) -> list[str]:
    lines = []
    for name, probe in outcome.circuit.build.probes.items():
        seen = outcome.span(name)
        unit = probe.quantity.unit
        unit = "" if unit == "state" else f" {unit}"
        read = "read nothing" if seen is None else f"read {seen[0]:g} to {seen[1]:g}{unit}"
        lost = outcome.lost(name)
        lines.append(f"  {name}: {read}" + (f", lost {lost}" if lost else ""))
    return lines


def _loads(outcome: Outcome) -> list[str]:
    lines = []
    for load in outcome.circuit.build.loads:
        share = 100 * outcome.on_s(load) / outcome.seconds
        ran = duration(outcome.on_s(load))
        count = outcome.starts(load)
        times = "once" if count == 1 else f"{count} times"
        told = (
            f"started {times}, ran {ran}, {share:.1f} % of the time" if count else "never started"
        )
        lines.append(f"  {load}: {told}")
    return lines


def _alarms(outcome: Outcome) -> list[str]:
    lines = []
    for name, spans in outcome.alarms.items():
        when = ", ".join(f"{from_s:.0f} to {to_s:.0f} s" for from_s, to_s in spans[:_MOST_ALARMS])
        more = f" and {len(spans) - _MOST_ALARMS} times more" if len(spans) > _MOST_ALARMS else ""
        text = f"{name}: raised {when}{more}" if spans else f"{name}: never raised"
        lines += textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ")
    return lines


def _changes(outcome: Outcome) -> list[str]:
    if not outcome.changes:
        return []
    shown = outcome.changes[:_MOST_CHANGES]
    wide = max(len(change.load) for change in shown)
    lines = ["", f"  {'s':>11}  {'load':<{wide}}  to   because of"]
    lines += [f"  {c.t_s:>11.2f}  {c.load:<{wide}}  {c.state:<3}  {c.cause}"[:WIDTH] for c in shown]
    if len(outcome.changes) > len(shown):
        lines.append(
            f"  … and {len(outcome.changes) - len(shown)} more; --format json has them all"
        )
    return lines


def _displays(outcome: Outcome) -> list[str]:
    lines: list[str] = []
    for name, rows in outcome.display.items():
        wide = max(map(len, rows))
        lines += ["", f"  {name} at the end"]
        lines += [f"    +{'-' * wide}+", *(f"    |{row}|" for row in rows), f"    +{'-' * wide}+"]
    hidden = [
        d.use.name
        for d in text_displays(outcome.circuit.build)
        if d.use.name not in outcome.display
    ]
    lines += [f"  {name}: what it shows cannot be read back here" for name in hidden]
    return lines


def _last(outcome: Outcome) -> str:
    longest = outcome.ran.longest_loop_ms
    passed = f"longest pass of loop(): {longest:.1f} ms; " if longest is not None else ""
    resets = ", ".join(f"{cause} at {t_s:.1f} s" for t_s, cause in outcome.resets)
    return textwrap.fill(f"{passed}resets: {resets or 'none'}", WIDTH, initial_indent="  ", subsequent_indent="    ")  # fmt: skip


# --- tune -----------------------------------------------------------------------------


def compared(name: str, source: str, tuned: list[Tuned]) -> str:
    """What ``tune`` prints."""
    lines: list[str] = []
    for load in tuned:
        seconds = duration(load.current.seconds)
        head = f"{name}, {load.load}: {len(load.tried)} settings over {seconds} of {source}"
        lines += textwrap.wrap(safe(head), WIDTH, subsequent_indent="  ")
        lines += ["", *_SETTING_HEAD, _setting_row("now", load.current)]
        if load.recommended is not load.current:
            lines.append(_setting_row("better", load.recommended))
        shown = [load.current, load.recommended]
        others = [r for r in load.tried if r not in shown]
        others.sort(key=lambda r: (r.undone_s, r.starts))
        lines += [_setting_row("", result) for result in others[:_MOST_SETTINGS]]
        if len(others) > _MOST_SETTINGS:
            lines.append(f"  … and {len(others) - _MOST_SETTINGS} more; --format json has them all")
        better = "recommended" if load.recommended is not load.current else "stay as you are"
        lines += ["", *textwrap.wrap(f"{better}: {load.reason}.", WIDTH, initial_indent="  ", subsequent_indent="    "), ""]  # fmt: skip
    lines += textwrap.wrap(
        "Past start: time at or beyond the build's own start_at; at rest: the load's part of it. "
        "Delay: from the first such reading to the load's start, in the mean. Readings of a "
        "trace do not answer to the load; those of a room do.",
        WIDTH, initial_indent="  ", subsequent_indent="  ",
    )  # fmt: skip
    return "\n".join(lines) + "\n"


_SETTING_HEAD = (
    "           start    stop  aver-  min    min   starts   runs   past    at  delay",
    "                          age   on s  off s  a day      %  start  rest      s",
)


def _setting_row(what: str, result: Result) -> str:
    s = result.setting
    delay = "-" if result.delay_s is None else f"{result.delay_s:.0f}"
    share = 100 * result.on_s / result.seconds
    return (
        f"  {what:<6} {float(s.start_at):>7g} {float(s.stop_at):>7g} {s.average:>5} "
        f"{s.min_on_s:>6g} {s.min_off_s:>6g} {result.starts_per_day:>6.1f} {share:>6.1f} "
        f"{_short(result.above_s):>6} {_short(result.undone_s):>5} {delay:>5}"
    )


def _short(seconds: float) -> str:
    """Seconds in at most five places."""
    if seconds < 10_000:
        return f"{seconds:.0f}s"
    return f"{seconds / 3600:.0f}h"
