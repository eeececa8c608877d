"""Alarms: lamps and sounders for what can happen in this build."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.circuit import Circuit
from buildkit.model import Build, Fault
from buildkit.rules import rule


@rule(
    "control.alarm-never",
    "warning",
    source="common practice, no source: an alarm is proved by the thing that it warns of",
)
def alarm_never(circuit: Circuit) -> Iterable[Fault]:
    """An alarm waits for something that cannot happen in this build.

    Why: a lamp that stays dark is read as all being well. Only a max_on_s
    forces a rest, and only a probe that can fall silent gives no reading; a
    contact or a motion sensor never does, unless stuck_after_s watches it.

    Wrong:
        alarms: {lamp: {part: led-indicator, when: [forced-rest]}}
        control: [{drive: fan, by: air, …}]                        # and no max_on_s

    Right:
        alarms: {lamp: {part: led-indicator, when: [forced-rest]}}
        control: [{drive: fan, by: air, max_on_s: 3600, min_off_s: 600, …}]
    """
    can = {"forced-rest": _forces(circuit.build), "no-reading": _goes_silent(circuit.build)}
    fixes = {
        "forced-rest": "Give an entry under control a max_on_s",
        "no-reading": "Take a probe that can fall silent",
    }
    why = {
        "forced-rest": "no entry under control has a max_on_s",
        "no-reading": "no probe of this build can fall silent",
    }
    for name, alarm in circuit.build.alarms.items():
        for when in dict.fromkeys(alarm.when):
            if not can[when]:
                yield Fault(
                    alarm.use.place("when"),
                    f"{name} waits for {when}, and {why[when]}",
                    f"{fixes[when]}, or take {when} out.",
                    {"when": when},
                )


def _forces(build: Build) -> bool:
    return any(entry.max_on_s is not None for entry in build.control)


def _goes_silent(build: Build) -> bool:
    """Also by a value that is stuck; a build that has no probe yet is not finished."""
    silent = any(probe.can_go_silent for probe in build.probes.values())
    stuck = any(entry.stuck_after_s is not None for entry in build.control)
    return silent or stuck or not build.probes
