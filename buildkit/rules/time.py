"""Time: readings no faster than the part, windows no slower than the room, bytes not lost."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.circuit import Circuit, SerialLink
from buildkit.model import Fault, Probe
from buildkit.rules import rule
from buildkit.sentences import duration

SLOW_WINDOW_S = 300.0
READINGS_PER_SILENCE = 3
BITS_PER_BYTE = 10  # 8N1: a start bit, eight data bits, a stop bit
BYTES_HELD = 2  # the receive buffer of the AVR's USART


@rule("time.faster-than-part", "error", source="the part's table, refresh_s and its source")
def faster_than_part(circuit: Circuit) -> Iterable[Fault]:
    """A probe is read more often than it has something new to say.

    Why: asked too early, a sensor repeats its last value, answers nonsense or
    does not answer at all. Some also warm themselves when they are asked
    without a pause. The average then looks calmer than the room.

    Wrong:
        # converts for 0.75 s
        soil: {part: ds18b20, value: temperature, every_s: 0.2}

    Right:
        soil: {part: ds18b20, value: temperature, every_s: 2}
    """
    for name, probe in circuit.build.probes.items():
        use = probe.use
        if "refresh_s" in use.figures and probe.every_s < use.figure("refresh_s"):
            refresh_s = use.figure("refresh_s")
            yield Fault(
                use.place("every_s"),
                f"{name} is read every {duration(probe.every_s)}, and {use.part.id} has a new "
                f"reading every {duration(refresh_s)}{use.whose('refresh_s')}",
                f"Set every_s to {refresh_s:g} or more.",
                {"every_s": probe.every_s, "refresh_s": refresh_s},
            )


@rule(
    "time.window-slow",
    "warning",
    source="common practice, no source: a moving average lags by half its window",
)
def window_slow(circuit: Circuit) -> Iterable[Fault]:
    """The average is so long that the load answers minutes late.

    Why: a moving average shows a change in full only after its whole window,
    and half of it after half. With ten minutes of readings the hood starts
    when the frying is over. If the window is longer than max_on_s, the load
    is rested before the average can show what it did.

    Wrong:
        every_s: 10
        average: 120        # 20 minutes

    Right:
        every_s: 2
        average: 30         # one minute
    """
    for entry in circuit.build.control:
        probe = circuit.build.probes[entry.by]
        window_s = probe.average * probe.every_s
        limit_s = min(SLOW_WINDOW_S, entry.max_on_s or SLOW_WINDOW_S)
        if window_s > limit_s:
            why = "" if limit_s == SLOW_WINDOW_S else ", longer than its max_on_s"
            yield Fault(
                probe.use.place("average"),
                f"{entry.by} averages over {duration(window_s)}{why}; {entry.drive} answers "
                f"about {duration(window_s / 2)} late",
                f"Keep average times every_s at {duration(limit_s)} or less.",
                {"window_s": window_s, "limit_s": limit_s},
            )


@rule("time.warm-up", "note", source="the part's table, warm_up_s and its source")
def warm_up(circuit: Circuit) -> Iterable[Fault]:
    """A probe needs a while after power-up before its readings count.

    Why: the readings of the first moments are shown and logged, but not
    averaged, and the load rests until the average is full. Whoever tests the
    appliance should not wait at the wrong place.

    Wrong:
        # a test that expects the hood to start within ten seconds of plugging in

    Right:
        # a test that waits for the warm-up and one full average
    """
    for name, probe in circuit.build.probes.items():
        use = probe.use
        warm_s = use.figure("warm_up_s") if "warm_up_s" in use.figures else 0.0
        if warm_s > 0:
            full_s = warm_s + probe.average * probe.every_s
            yield Fault(
                use.at,
                f"{name} warms up for {duration(warm_s)}{use.whose('warm_up_s')} after power-up, and "
                f"its average is full after about {duration(full_s)}; until then its loads rest",
                f"Wait {duration(full_s)} after plugging in before you test.",
                {"warm_up_s": warm_s, "average_full_s": full_s},
            )


@rule(
    "time.no-reading-too-short",
    "error",
    source="common practice, no source: two readings lost in a row are ordinary, three are silence",
)
def no_reading_too_short(circuit: Circuit) -> Iterable[Fault]:
    """Silence is declared before the probe had time to speak three times.

    Why: a reading is lost now and then, and some sensors pause of themselves
    while nothing changes. If that already counts as silence, the average is
    emptied and the load rests again and again for no cause.

    Wrong:
        every_s: 5
        no_reading_after_s: 6

    Right:
        every_s: 5
        no_reading_after_s: 20
    """
    for entry in circuit.build.control:
        probe = circuit.build.probes[entry.by]
        pause_s = _longest_pause_s(probe)
        least_s = READINGS_PER_SILENCE * pause_s
        if entry.no_reading_after_s < least_s:
            yield Fault(
                entry.place("no_reading_after_s"),
                f"{entry.by} counts as silent after {duration(entry.no_reading_after_s)}, though up "
                f"to {duration(pause_s)} can pass between two of its readings",
                f"Set no_reading_after_s to {least_s:g} or more.",
                {
                    "no_reading_after_s": entry.no_reading_after_s,
                    "longest_pause_s": pause_s,
                    "least_s": least_s,
                },
            )


def _longest_pause_s(probe: Probe) -> float:
    """The longest time between two readings of a probe that works."""
    figures = probe.use.figures
    own = [figures[name].value for name in ("refresh_s", "longest_gap_s") if name in figures]
    response = figures.get("longest_response_ms")
    waited_s = probe.every_s + (response.value / 1000 if response else 0.0)
    return max(waited_s, *own) if own else waited_s


@rule(
    "time.serial-starved",
    "error",
    source="ATmega328P data sheet, USART0 data reception, two-level buffer; software serial of the AVR core (from memory)",
)
def serial_starved(circuit: Circuit) -> Iterable[Fault]:
    """Serial bytes arrive faster than they can be taken.

    Why: software serial listens to each byte with interrupts off. While it
    does, a hardware port holds two bytes and drops the rest. And a frame that
    takes longer to arrive than its part waits before the next one leaves no
    quiet in which the sketch could do anything else.

    Wrong:
        own_figures: {serial_baud: 300}     # 32 bytes take 1.07 s, one frame a second

    Right:
        own_figures: {serial_baud: 9600}    # 32 bytes take 0.03 s
    """
    links = [link for link in circuit.serial_links if "serial_baud" in link.use.figures]
    for link in links:
        yield from _no_quiet(link)
    slow = min((x for x in links if x.port is None), key=_baud, default=None)
    for link in links:
        if slow is not None and link.port is not None and _baud(link) > BYTES_HELD * _baud(slow):
            yield Fault(
                link.use.at,
                f"while software serial takes one byte of {slow.use.name} at {_baud(slow):g} baud, "
                f"{_baud(link) / _baud(slow):.1f} bytes of {link.use.name} arrive at {_baud(link):g} "
                f"baud, and {link.port} holds {BYTES_HELD}",
                f"Put {slow.use.name} on a hardware serial port too, or run {link.use.name} at "
                f"{BYTES_HELD * _baud(slow):g} baud or less.",
                {"baud": _baud(link), "soft_baud": _baud(slow), "bytes_held": BYTES_HELD},
            )


def _baud(link: SerialLink) -> float:
    return link.use.figure("serial_baud")


def _no_quiet(link: SerialLink) -> Iterable[Fault]:
    figures = link.use.figures
    if not {"frame_bytes", "refresh_s"} <= figures.keys():
        return
    frame_s = figures["frame_bytes"].value * BITS_PER_BYTE / _baud(link)
    refresh_s = figures["refresh_s"].value
    if frame_s >= refresh_s:
        yield Fault(
            link.use.at,
            f"a frame of {link.use.name} takes {frame_s:.3g} s to arrive at {_baud(link):g} "
            f"baud{link.use.whose('serial_baud')}, and the next one is due after {refresh_s:g} s",
            "Set the part to a higher baud rate, and give it under own_figures: {serial_baud: …}.",
            {"frame_s": frame_s, "refresh_s": refresh_s, "baud": _baud(link)},
        )
