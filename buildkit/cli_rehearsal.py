"""The commands ``rehearse``, ``tune`` and ``record``; everything they do is in ``rehearsal``."""

from __future__ import annotations

import gc
import sys
import tempfile
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from buildkit import complaints
from buildkit.cli_options import BuildFile, OwnTables
from buildkit.rehearsal.kinds import KINDS

_TRACE = typer.Option(
    "--trace", help="Readings over time, or a log that a board kept.", metavar="CSV"
)
_ROOM = typer.Option("--room", help="A room whose air or heat answers to the load.", metavar="FILE")
_FORMAT = typer.Option("--format", help="text to read, json for programs.")


_FAULT = typer.Option(
    "--fault", help="Something goes wrong, see above; can be given again.", metavar="KIND@TIME"
)


_HAND = typer.Option(
    "--hand",
    help="A hand control is used, such as selector=off@120; can be given again.",
    metavar="NAME=STATE@TIME",
)


def _about_rehearse() -> str:
    lines: list[str] = []
    for kind, what in KINDS.items():
        lines += textwrap.wrap(what, 74, initial_indent=f"{kind:<18} ", subsequent_indent=" " * 19)
    return "\n".join([_ABOUT, "\b", *lines])


_ABOUT = """Run the written sketch against readings, without hardware.

Without --trace and --room the readings rise and fall across the thresholds,
then fall silent.

Faults are KIND@TIME or KIND@TIME+SECONDS, in seconds since power-up, such as
silent@120+30. A hand control is NAME=STATE@TIME: a switch is turned to hand, off
or auto, where it stands at power-up; a button is pressed with press, held down
with hold, let go with free. The kinds of fault:
"""


def register(app: typer.Typer, tables: Callable[..., Any]) -> None:
    """Put the commands into the command line."""

    @app.command(help=_about_rehearse())
    def rehearse(
        build: BuildFile,
        trace: Annotated[Path | None, _TRACE] = None,
        room: Annotated[Path | None, _ROOM] = None,
        engine: Annotated[
            str, typer.Option("--engine", help="host: this computer; chip: the simulated AVR chip.")
        ] = "host",
        fault: Annotated[list[str] | None, _FAULT] = None,
        hand: Annotated[list[str] | None, _HAND] = None,
        picture: Annotated[
            Path | None,
            typer.Option(
                "--picture", help="Draw readings and loads over time, as SVG.", metavar="FILE"
            ),
        ] = None,
        format_: Annotated[str, _FORMAT] = "text",
        own_tables: OwnTables = None,
    ) -> None:
        _formats(format_)
        _either(trace, room)
        circuit = _circuit(build, tables(own_tables))
        wanted = fault or [], hand or []
        _rehearse(circuit, trace, room, engine, wanted, picture, format_)

    @app.command()
    def tune(
        build: BuildFile,
        trace: Annotated[Path | None, _TRACE] = None,
        room: Annotated[Path | None, _ROOM] = None,
        format_: Annotated[str, _FORMAT] = "text",
        own_tables: OwnTables = None,
    ) -> None:
        """Find start, stop, window and dwell times from recorded readings."""
        _formats(format_)
        _either(trace, room)
        if trace is None and room is None:
            complaints.fail(
                "tune wants --trace CSV or --room FILE; 'buildkit record' makes a trace."
            )
        _tune(_circuit(build, tables(own_tables)), trace, room, format_)

    @app.command()
    def record(
        port: Annotated[
            str,
            typer.Option(
                "--port", help="The board's port, such as /dev/ttyACM0 or COM3.", metavar="PORT"
            ),
        ],
        into: Annotated[
            Path,
            typer.Option(
                "--into", help="The file to keep; a log that is there goes on.", metavar="CSV"
            ),
        ],
    ) -> None:
        """Keep a board's log as a trace, while it runs.

        Opening the port resets many boards. Needs pip install 'buildkit[record]'.
        """
        _record(port, into)


def _record(port: str, into: Path) -> None:
    from buildkit.rehearsal import recording
    from buildkit.scene import LOG_BAUD

    recorder = recording.Recorder(port, into, lambda text: typer.echo(text, err=True), LOG_BAUD)
    typer.echo("\n".join(textwrap.wrap(recording.BEFORE, 80)), err=True)
    try:
        recorder.run()
    except recording.CannotRecord as error:
        complaints.fail(str(error))
    except OSError as error:
        complaints.fail(f"{into}: {error.strerror or error}.")
    except KeyboardInterrupt:
        typer.echo("", err=True)
    rows = recorder.rows
    strange = f", {rows.strange} lines were no rows of a log" if rows.strange else ""
    typer.echo(f"  {rows.rows} rows, {rows.resets} resets in {into}{strange}")


def _tune(circuit: Any, trace: Path | None, room: Path | None, format_: str) -> None:
    import json

    from buildkit.rehearsal import progress, rehearsing, traces, tuning, words
    from buildkit.rehearsal import room as rooms

    if not circuit.build.control:
        complaints.fail(f"{circuit.build.name} has no control entry, so there is nothing to tune.")
    with _complaining(), progress.bar("comparing", sys.stderr) as tell:
        if trace is not None:
            found = rehearsing.needed(circuit, traces.read(trace, circuit.build))
            play = tuning.over_trace(found)
        else:
            assert room is not None
            play = tuning.in_room(rooms.load(room, circuit.build))
        tuned = tuning.tune(circuit, play, tell)
    if format_ == "json":
        typer.echo(json.dumps(tuning.to_json(tuned), indent=2))
    else:
        typer.echo(words.compared(circuit.build.name, str(trace or room), tuned), nl=False)


def _formats(format_: str) -> None:
    if format_ not in ("text", "json"):
        complaints.fail(f"--format is text or json, not '{format_}'.")


def _either(trace: Path | None, room: Path | None) -> None:
    if trace is not None and room is not None:
        complaints.fail("give --trace or --room, not both.")


def _circuit(path: Path, tables: Any) -> Any:
    """The circuit of a build without errors, or exit: 2 when there is no file, 1 with its findings."""
    from buildkit import checking, report
    from buildkit.document import CannotOpen

    try:
        found = checking.check(path, tables)
    except CannotOpen as error:
        complaints.fail(str(error))
    if found.errors or found.circuit is None:
        typer.echo(report.check_text(found), nl=False)
        complaints.say("a sketch is written only for a build without errors.")
        raise typer.Exit(1)
    return found.circuit


def _rehearse(
    circuit: Any,
    trace: Path | None,
    room: Path | None,
    engine: str,
    wanted: tuple[list[str], list[str]],
    picture: Path | None,
    format_: str,
) -> None:
    import json

    from buildkit.rehearsal import engines, faults, graph, progress, touches, words

    if engine not in engines.ENGINES:
        complaints.fail(f"--engine is host or chip, not '{engine}'.")
    with _uncollected(), _complaining():
        asked = [faults.parse(text) for text in wanted[0]]
        touched = touches.in_order(touches.parse(text, circuit) for text in wanted[1])
        with progress.bar("rehearsing", sys.stderr) as tell, tempfile.TemporaryDirectory() as into:
            done, played = _played(circuit, trace, room, engine, asked, touched, Path(into), tell)
        if picture is not None:
            title = f"{circuit.build.name}: {done.trace.file}"
            picture.write_text(graph.svg(done.outcome, title), encoding="utf-8")
    if format_ == "json":
        typer.echo(json.dumps(done.to_json(), indent=2, ensure_ascii=False))
    else:
        typer.echo(words.told(done, played, touched), nl=False)
        if picture is not None:
            typer.echo(f"  wrote {picture}")


@contextmanager
def _uncollected() -> Iterator[None]:
    """Days make millions of small things and no circles: looking for them takes a tenth."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def _played(
    circuit: Any,
    trace: Path | None,
    room: Path | None,
    engine: str,
    asked: list[Any],
    touched: list[Any],
    into: Path,
    tell: Callable[[float], None],
) -> Any:
    """The rehearsal, and the faults in it."""
    from buildkit.rehearsal import rehearsing, traces
    from buildkit.rehearsal import room as rooms

    if room is not None:
        place = rooms.load(room, circuit.build)
        return rehearsing.in_room(circuit, engine, place, asked, into, tell, touched), asked
    if trace is not None:
        found = traces.read(trace, circuit.build)
    else:
        found, own = rehearsing.built_in(circuit)
        asked = [*own, *asked]
    return rehearsing.rehearse(circuit, engine, found, asked, into, touched), asked


@contextmanager
def _complaining() -> Iterator[None]:
    """What a rehearsal raises, told on stderr with exit code 2."""
    from buildkit.document import CannotOpen
    from buildkit.model import Refused
    from buildkit.rehearsal import chip, engines, faults, host, stimuli, toolchain, touches, traces
    from buildkit.sketch import TemplateFault

    try:
        yield
    except Refused as refused:
        complaints.refuse(refused.faults)
    except (
        CannotOpen,
        chip.ChipFailed,
        host.HostFailed,
        engines.CannotRehearse,
        faults.BadFault,
        stimuli.NoStimulus,
        toolchain.CompileFailed,
        toolchain.ToolchainMissing,
        touches.BadTouch,
        traces.BadTrace,
        TemplateFault,
    ) as error:
        complaints.fail(str(error))
    except OSError as error:
        complaints.fail(f"{error.filename}: {error.strerror or error}.")
