"""The reference model of control: what every sketch must decide.

Whole numbers only.  Times are milliseconds since power-up, readings are whole
steps of the quantity's resolution.  A model is told of readings through
``readings`` and moved on by ``advance``; it keeps each change of a load with
its time and cause.

What rests a load beats what runs it, in this order: a hand that rests it;
start-up; silence with ``off``; the longest run; a hand that runs it; silence
with ``on``; a window not full; dwell times; thresholds.

A hand rests a load at once, ``min_on_s`` or not.  A hand that runs it passes
over start-up, silence and thresholds, and obeys ``max_on_s`` and
``min_off_s``; a heater it runs only while the probe's window is full, and not
in silence.  Meanwhile the thresholds go on deciding what the load is given
back to: it rests at once when they, or silence, would have it at rest.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from fractions import Fraction

from buildkit import hands
from buildkit.hands import Asker
from buildkit.model import Build, Control, Probe
from buildkit.records import dataclass, field
from buildkit.units import to_steps

Reading = tuple[int, str, int | None]  # ms, probe, steps or None for a lost one
Touch = tuple[int, str, str]  # ms, hand control, press or a switch's new position


@dataclass(frozen=True, slots=True)
class Settings:
    """A control entry in whole numbers, as model and sketch compare them.

    ``start_sum`` and ``stop_sum`` are the thresholds times the window's count,
    rounded to the side on which an exact comparison falls.
    """

    drive: str
    by: str
    rising: bool
    start_sum: int
    stop_sum: int
    min_on_ms: int
    min_off_ms: int
    max_on_ms: int | None
    run_on_ms: int
    rests_when_silent: bool
    silent_after_ms: int


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """A probe in whole numbers; ``low`` and ``high`` bound the steps of an accepted reading."""

    name: str
    count: int
    warm_up_ms: int
    stuck_after_ms: int | None
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Change:
    """A load switched: when, to what (on, off), and why."""

    t_ms: int
    load: str
    state: str
    cause: str  # start, stop, no-reading, max-on, hand


def milliseconds(seconds: float) -> int:
    """Seconds of the build file as whole milliseconds."""
    return round(seconds * 1000)


def settings(control: Control, probe: Probe) -> Settings:
    """The whole numbers that a control entry compares."""
    start = to_steps(control.start_at, probe.unit, probe.quantity) * probe.average
    stop = to_steps(control.stop_at, probe.unit, probe.quantity) * probe.average
    up, down = (start, stop) if control.rising else (stop, start)
    at_least, at_most = math.ceil(up), math.floor(down)
    return Settings(
        drive=control.drive,
        by=control.by,
        rising=control.rising,
        start_sum=at_least if control.rising else at_most,
        stop_sum=at_most if control.rising else at_least,
        min_on_ms=milliseconds(control.min_on_s),
        min_off_ms=milliseconds(control.min_off_s),
        max_on_ms=None if control.max_on_s is None else milliseconds(control.max_on_s),
        run_on_ms=milliseconds(control.run_on_s),
        rests_when_silent=control.if_no_reading == "off",
        silent_after_ms=milliseconds(control.no_reading_after_s),
    )


def probe_settings(probe: Probe, controls: Iterable[Control]) -> ProbeSettings:
    """The whole numbers of a probe; of several stuck times the shortest counts."""
    quantity = probe.quantity
    warm_up = probe.use.figures.get("warm_up_s")
    stuck = [c.stuck_after_s for c in controls if c.by == probe.use.name and c.stuck_after_s]
    return ProbeSettings(
        name=probe.use.name,
        count=probe.average,
        warm_up_ms=milliseconds(warm_up.value if warm_up else 0.0),
        stuck_after_ms=milliseconds(min(stuck)) if stuck else None,
        low=math.ceil(quantity.low / quantity.resolution),
        high=math.floor(quantity.high / quantity.resolution),
    )


@dataclass(slots=True)
class Window:
    """A probe's readings: the moving sum, and when it was last heard."""

    settings: ProbeSettings
    readings: deque[int] = field(default_factory=deque)
    total: int = 0
    heard_ms: int = 0  # silence counts from here
    last: int | None = None
    changed_ms: int = 0
    accepted: int = 0
    lost: int = 0

    def __post_init__(self) -> None:
        self.heard_ms = self.settings.warm_up_ms

    @property
    def full(self) -> bool:
        """Whether the window holds as many readings as it averages."""
        return len(self.readings) == self.settings.count

    def average(self) -> Fraction | None:
        """The mean of a full window, in steps."""
        return Fraction(self.total, self.settings.count) if self.full else None

    def take(self, now_ms: int, steps: int | None) -> bool:
        """Take a reading, or None for one that was lost already; False when it was lost."""
        if steps is not None:
            return self.accept(now_ms, steps)
        self.lost += 1
        return False

    def accept(self, now_ms: int, steps: int) -> bool:
        """Take a reading; False when it counts as lost (out of span, or stuck)."""
        known = self.settings
        stuck = (
            known.stuck_after_ms is not None
            and steps == self.last
            and now_ms - self.changed_ms >= known.stuck_after_ms
        )
        if stuck or not known.low <= steps <= known.high:
            self.lost += 1
            return False
        if steps != self.last:
            self.changed_ms = now_ms
        self.last = steps
        self.accepted += 1
        if now_ms >= known.warm_up_ms:
            self.heard_ms = now_ms
            self._push(steps)
        return True

    def _push(self, steps: int) -> None:
        if self.full:
            self.total -= self.readings.popleft()
        self.readings.append(steps)
        self.total += steps

    def empty(self) -> None:
        """Forget the readings, as silence does."""
        self.readings.clear()
        self.total = 0


@dataclass(slots=True)
class Loop:
    """One control entry at work on one load."""

    settings: Settings
    window: Window
    on: bool = False
    since_ms: int = 0  # of the last edge; power-up counts as one
    awake: bool = False  # start-up is over
    quiet: bool = False
    forced: bool = False  # rests because the longest run was reached
    run_on_from_ms: int | None = None
    hands: tuple[Asker, ...] = ()
    heats: bool = False
    lent: bool = False  # runs by hand alone: control itself would rest it
    changes: list[Change] = field(default_factory=list)

    def step(self, now_ms: int) -> None:
        """Decide once.  Deciding again at the same time changes nothing more."""
        self.quiet = now_ms - self.window.heard_ms >= self.settings.silent_after_ms
        if self.quiet:
            self.window.empty()
            self.run_on_from_ms = None
        self.awake = self.awake or self.quiet or self.window.full
        asks = hands.asked(self.hands)
        by_hand = asks == hands.RUN
        if asks <= hands.REST or (self.lent and not by_hand):
            if asks == hands.REST and not self.on and self._rest_is_over(now_ms):
                self.forced = False
            self._switch(now_ms, False, "hand")
        elif not self.awake and not by_hand:
            return
        elif self.quiet and (self.heats if by_hand else self.settings.rests_when_silent):
            self._switch(now_ms, False, "no-reading")
            self._spend()
        elif self._overran(now_ms):
            self.forced = True
            self._switch(now_ms, False, "max-on")
            self._spend()
        elif self.forced and not self._rest_is_over(now_ms):
            return
        else:
            self.forced = False
            (self._run_by_hand if by_hand else self._run_or_rest)(now_ms)

    def _spend(self) -> None:
        for hand in self.hands:
            hand.spend()

    def _run_by_hand(self, now_ms: int) -> None:
        if not self.on and self._rested(now_ms) and (self.window.full or not self.heats):
            self._switch(now_ms, True, "hand")
        if self.quiet:
            rests = self.settings.rests_when_silent
        elif self.window.full and (self._starts() or self._stops()):
            rests = not self._starts()
        else:
            runs_on = self.settings.run_on_ms > 0 and self.run_on_from_ms is not None
            rests = self.lent or runs_on
        self.lent = self.on and rests
        self.run_on_from_ms = None

    def _overran(self, now_ms: int) -> bool:
        longest = self.settings.max_on_ms
        return self.on and longest is not None and now_ms - self.since_ms >= longest

    def _rested(self, now_ms: int) -> bool:
        return now_ms - self.since_ms >= self.settings.min_off_ms

    def _rest_is_over(self, now_ms: int) -> bool:
        # Without min_off_s the rest still lasts until the next decision.
        return now_ms > self.since_ms and self._rested(now_ms)

    def _run_or_rest(self, now_ms: int) -> None:
        if self.quiet:
            if not self.on and self._rested(now_ms):
                self._switch(now_ms, True, "no-reading")
        elif self.window.full and self.on:
            self._maybe_stop(now_ms)
        elif self.window.full and self._starts() and self._rested(now_ms):
            self._switch(now_ms, True, "start")

    def _maybe_stop(self, now_ms: int) -> None:
        stops = self._stops()
        if self._starts():
            self.run_on_from_ms = None
        elif stops and self.run_on_from_ms is None:
            self.run_on_from_ms = now_ms
        run_on_ms = self.settings.run_on_ms
        if run_on_ms:
            began = self.run_on_from_ms
            stops = began is not None and now_ms - began >= run_on_ms
        if stops and now_ms - self.since_ms >= self.settings.min_on_ms:
            self._switch(now_ms, False, "stop")

    def _starts(self) -> bool:
        total, limit = self.window.total, self.settings.start_sum
        return total >= limit if self.settings.rising else total <= limit

    def _stops(self) -> bool:
        total, limit = self.window.total, self.settings.stop_sum
        return total <= limit if self.settings.rising else total >= limit

    def _switch(self, now_ms: int, on: bool, cause: str) -> None:
        if on == self.on:
            return
        self.on = on
        self.since_ms = now_ms
        self.run_on_from_ms = None
        self.lent = on and cause == "hand"
        self.changes.append(Change(now_ms, self.settings.drive, "on" if on else "off", cause))

    def deadlines(self) -> list[int]:
        """Times at which a decision may change without a reading."""
        known = self.settings
        times = [
            self.window.heard_ms + known.silent_after_ms,
            self.since_ms + (known.min_on_ms if self.on else max(1, known.min_off_ms)),
        ]
        if self.on and known.max_on_ms is not None:
            times.append(self.since_ms + known.max_on_ms)
        if self.run_on_from_ms is not None:
            times.append(self.run_on_from_ms + known.run_on_ms)
        return times + [hand.ends_ms for hand in self.hands if hand.ends_ms is not None]


class Model:
    """Every probe and load of a build, moved through time.

    Hand controls are left alone, switches in AUTO, unless ``touched``: then a
    switch is unknown until ``moment`` is told of its position.
    """

    def __init__(self, build: Build, *, touched: bool = False) -> None:
        self.windows = {
            name: Window(probe_settings(probe, build.control))
            for name, probe in build.probes.items()
        }
        self.loops = [
            Loop(
                settings(entry, build.probes[entry.by]),
                self.windows[entry.by],
                hands=hands.askers(build, entry.drive, left_alone=not touched),
                heats=hands.heats(build, entry.drive),
            )
            for entry in build.control
        ]
        self.now_ms = -1  # of the last decision

    @property
    def changes(self) -> list[Change]:
        """Every change so far, in the order of time."""
        return sorted((c for loop in self.loops for c in loop.changes), key=lambda c: c.t_ms)

    def advance(self, until_ms: int) -> None:
        """Decide at every deadline up to ``until_ms``, that moment included."""
        while until_ms > self.now_ms:
            coming = [t for loop in self.loops for t in loop.deadlines() if t > self.now_ms]
            self._step(min([until_ms, *coming]))

    def _step(self, now_ms: int) -> None:
        self.now_ms = now_ms
        for loop in self.loops:
            for hand in loop.hands:
                hand.expire(now_ms)
            loop.step(now_ms)

    def reading(self, now_ms: int, probe: str, steps: int | None) -> bool:
        """Take one reading (None: a lost one) at a time, then decide; False when it was lost."""
        return self.readings(now_ms, [(probe, steps)])[0]

    def readings(self, now_ms: int, together: Iterable[tuple[str, int | None]]) -> list[bool]:
        """Take all readings of one moment, then decide; which of them were accepted."""
        return self.moment(now_ms, together, ())

    def moment(
        self,
        now_ms: int,
        together: Iterable[tuple[str, int | None]],
        touches: Iterable[tuple[str, str]],
    ) -> list[bool]:
        """Take all readings and touches of one moment, then decide; which readings were accepted.

        A touch is a hand control's name and ``press`` or a switch's new position.
        """
        self.advance(now_ms - 1)
        taken = [self.windows[probe].take(now_ms, steps) for probe, steps in together]
        for name, what in touches:
            for loop in self.loops:
                for asker in loop.hands:
                    if asker.hand.use.name != name:
                        continue
                    if what == hands.PRESS:
                        asker.press(now_ms, loop.on)
                    else:
                        asker.turn(what)
        self._step(now_ms)
        return taken


def run(
    build: Build, readings: Iterable[Reading], until_ms: int, touches: Iterable[Touch] | None = None
) -> Model:
    """The model after a whole trace, in order of time, and the quiet after it.

    Without ``touches`` hand controls are left alone.
    """
    model = Model(build, touched=touches is not None)
    told: dict[int, list[tuple[str, int | None]]] = {}
    touched: dict[int, list[tuple[str, str]]] = {}
    for t_ms, probe, steps in readings:
        told.setdefault(t_ms, []).append((probe, steps))
    for t_ms, name, what in touches or ():
        touched.setdefault(t_ms, []).append((name, what))
    for t_ms in sorted({*told, *touched}):
        model.moment(t_ms, told.get(t_ms, ()), touched.get(t_ms, ()))
    model.advance(until_ms)
    return model
