"""The file itself: what reading, the schema and the look-up of names refuse.

Nothing is checked here.  These are the catalogue pages of the faults that
``document``, ``validation``, ``buildfile`` and ``tables`` raise as they read.
"""

from __future__ import annotations

from buildkit.rules import declare

_YAML = "YAML 1.2.2 specification (yaml.org/spec/1.2.2)"
_STRICT = "common practice, no source: a build file says everything once and in plain sight"

declare(
    "doc.unreadable",
    "error",
    """The file is not YAML text that can be read.

    Why: nothing of the build can be checked until the file is read whole. A
    guess at what a broken line means would put a wrong wire on the list.

    Wrong:
        probes:
        <tab>smoke: {part: pm-frame32}

    Right:
        probes:
          smoke: {part: pm-frame32}
    """,
    source=f"{_YAML}, 5.1 character set, 6.1 indentation spaces",
)

declare(
    "doc.duplicate-key",
    "error",
    """The same key, or the same name of a part, stands twice.

    Why: most readers of YAML silently keep the last of the two. Whoever edits
    the first one then changes nothing, and does not see why.

    Wrong:
        start_at: 15
        stop_at: 9
        start_at: 25

    Right:
        start_at: 25
        stop_at: 9
    """,
    source=f"{_YAML}, 3.2.1.3: the keys of a mapping are unique",
)

declare(
    "doc.too-large",
    "error",
    """The file is far larger or deeper than a build can be.

    Why: a build is a page or two. A file of megabytes, or brackets within
    brackets twenty times over, is another file or a slip of the keyboard.

    Wrong:
        rows: [[[[[[[[[[[[[[[[[[[[[[[[[["hood"]]]]]]]]]]]]]]]]]]]]]]]]]]

    Right:
        rows: ["hood"]
    """,
    source="common practice, no source: read no more than the job can need",
)

declare(
    "doc.alias-or-tag",
    "error",
    """A YAML anchor, alias or tag is used.

    Why: an alias makes one line change another that is not in view, and a tag
    lets a file ask for more than data. A build file is read by people who do
    not know either, so each value is written where it counts.

    Wrong:
        min_on_s: &dwell 60
        min_off_s: *dwell

    Right:
        min_on_s: 60
        min_off_s: 60
    """,
    source=f"{_YAML}, 6.9 node properties, 7.1 alias nodes; {_STRICT}",
)

declare(
    "doc.unknown-key",
    "error",
    """A key is not one that is known at its place.

    Why: a misspelt key would be passed over, and the build would run on a
    default that nobody chose.

    Wrong:
        max_on: 14400

    Right:
        max_on_s: 14400
    """,
    source=_STRICT,
)

declare(
    "doc.wrong-type",
    "error",
    """A value is of the wrong kind: text for a number, one thing for a list.

    Why: a number carries its unit in its key, so that it can be compared and
    computed with. Text such as '15 s' cannot.

    Wrong:
        no_reading_after_s: 15 s
        rows: Hello

    Right:
        no_reading_after_s: 15
        rows: ["Hello"]
    """,
    source="JSON Schema 2020-12, validation vocabulary 6.1.1, with 'buildkit schema build'",
)

declare(
    "doc.missing-key",
    "error",
    """A key that the build cannot do without is missing.

    Why: what decides safety has no default here. How a load behaves without
    readings, for one, is to be chosen and not to be inherited.

    Wrong:
        - {drive: hood, by: smoke, start_at: 15, stop_at: 9, no_reading_after_s: 15}

    Right:
        - {drive: hood, by: smoke, start_at: 15, stop_at: 9,
           no_reading_after_s: 15, if_no_reading: off}
    """,
    source="JSON Schema 2020-12, validation vocabulary 6.5.3, with 'buildkit schema build'",
)

declare(
    "doc.out-of-range",
    "error",
    """A value lies outside what this key can take.

    Why: a time below zero, a mains of 12 V or a choice that does not exist is
    a slip; built as written it would do something that nobody wanted.

    Wrong:
        min_off_s: -60

    Right:
        min_off_s: 60
    """,
    source="JSON Schema 2020-12, validation vocabulary 6.1.2 and 6.2, with 'buildkit schema build'",
)

declare(
    "doc.unsafe-name",
    "error",
    """A name cannot serve as a folder's name and in the sketch.

    Why: the build's name becomes a folder and the sketch's file, the others
    become names in the program. Slashes, dots, blanks and the device names of
    some systems would write to the wrong place or not compile.

    Wrong:
        build: ../Kitchen Hood

    Right:
        build: kitchen-hood
    """,
    source="Microsoft, Naming Files, Paths, and Namespaces; ISO/IEC 14882:2011 2.11 identifiers (from memory)",
)

declare(
    "doc.unknown-board",
    "error",
    """There is no table for this board.

    Why: pins, levels and currents are read from the board's table. Without it
    nothing can be checked.

    Wrong:
        board: atmega328-5v

    Right:
        board: atmega328p-5v
    """,
    source="common practice, no source: 'buildkit boards' lists the tables at hand",
)

declare(
    "doc.unknown-part",
    "error",
    """There is no such part, or it does not belong in this section.

    Why: a part's terminals, figures and program stand in its table. A relay
    does not measure and a sensor does not switch, so each has its section.

    Wrong:
        probes:
          smoke: {part: pm-frame23, value: pm2_5, every_s: 1}

    Right:
        probes:
          smoke: {part: pm-frame32, value: pm2_5, every_s: 1}
    """,
    source="common practice, no source: 'buildkit parts' lists the tables at hand",
)

declare(
    "doc.unknown-terminal",
    "error",
    """A part has no terminal of this name.

    Why: the wiring list is made from the terminals as they are printed on the
    part. A wire to a terminal that is not there cannot be soldered.

    Wrong:
        smoke: {part: pm-frame32, wires: {TX: 8}}

    Right:
        smoke: {part: pm-frame32, wires: {TXD: 8}}
    """,
    source="the part's table, terminals, as 'buildkit parts ID' prints them",
)

declare(
    "doc.unknown-pin",
    "error",
    """The board has no pin or rail of this name.

    Why: pins are named as they are printed on the board, and boards differ.

    Wrong:
        wires: {TXD: D88}

    Right:
        wires: {TXD: 8}
    """,
    source="the board's table, pins and rails, as 'buildkit boards ID' prints them",
)

declare(
    "doc.unknown-probe",
    "error",
    """A control entry names a probe that is not in the build.

    Why: a load without its probe would never run, or never stop.

    Wrong:
        probes: {smoke: {part: pm-frame32, value: pm2_5, every_s: 1}}
        control: [{drive: hood, by: smok, start_at: 15, stop_at: 9}]

    Right:
        probes: {smoke: {part: pm-frame32, value: pm2_5, every_s: 1}}
        control: [{drive: hood, by: smoke, start_at: 15, stop_at: 9}]
    """,
    source=_STRICT,
)

declare(
    "doc.unknown-load",
    "error",
    """A control entry or a lamp names a load that is not in the build.

    Why: the entry would switch nothing, and the load that was meant would
    stay without control.

    Wrong:
        loads: {hood: {part: relay-module-active-low}}
        displays: {lamp: {part: led-indicator, follows: fan}}

    Right:
        loads: {hood: {part: relay-module-active-low}}
        displays: {lamp: {part: led-indicator, follows: hood}}
    """,
    source=_STRICT,
)

declare(
    "doc.unknown-value",
    "error",
    """The part does not measure this, or the unit is not one for it.

    Why: a part can measure several things, each in its own unit. Thresholds
    mean nothing until both are known.

    Wrong:
        smoke: {part: pm-frame32, value: pm25, every_s: 1}

    Right:
        smoke: {part: pm-frame32, value: pm2_5, every_s: 1}
    """,
    source="the part's table, quantities, as 'buildkit parts ID' prints them",
)
