"""The commands ``pins`` and ``move``; everything they do is in the modules that they call."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from buildkit import complaints, complete
from buildkit.cli_options import BuildFile, OwnTables


def register(app: typer.Typer, tables: Callable[..., Any]) -> None:
    """Put both commands into the command line."""

    @app.command()
    def pins(
        build: BuildFile,
        save: Annotated[
            bool, typer.Option("--save", help="Write the chosen pins into the file.")
        ] = False,
        own_tables: OwnTables = None,
    ) -> None:
        """Choose pins for the wires you left open, and tell why each."""
        _pins(build, save, tables(own_tables))

    @app.command()
    def move(
        build: BuildFile,
        board: Annotated[
            str | None,
            typer.Option(
                "--board",
                help="The board to move to; without it, all are compared.",
                metavar="ID",
                autocompletion=complete.boards,
            ),
        ] = None,
        save: Annotated[
            Path | None,
            typer.Option("--save", help="Write the moved build into a new file.", metavar="FILE"),
        ] = None,
        add_parts: Annotated[
            bool, typer.Option("--add-parts", help="Put in the level shifters that it needs there.")
        ] = False,
        own_tables: OwnTables = None,
    ) -> None:
        """Move a build to another board, or see which boards it fits."""
        _move(build, board, save, add_parts, tables(own_tables))


def _loaded(path: Path, tables: Any) -> Any:
    """The build, or exit: 2 when there is no file, 1 with its findings when it cannot be taken."""
    from buildkit import buildfile, checking, report
    from buildkit.document import CannotOpen
    from buildkit.model import Refused

    try:
        return buildfile.load(path, tables)
    except CannotOpen as error:
        complaints.fail(str(error))
    except Refused:
        typer.echo(report.check_text(checking.check(path, tables)), nl=False)
        raise typer.Exit(1) from None


def _pins(path: Path, save: bool, tables: Any) -> None:
    from buildkit import moving, pins_text, seating

    circuit = seating.seat(_loaded(path, tables))
    typer.echo(pins_text.pins_text(circuit, tables), nl=False)
    if circuit.unseated:
        if save:
            complaints.say("nothing was saved; not every terminal has a pin.")
        raise typer.Exit(1)
    if save:
        changes = moving.pin_changes(circuit)
        _write(path, path, changes)
        typer.echo(f"  wrote {len(changes)} pins into {path}" if changes else "  nothing to save")


def _move(
    path: Path,
    board_id: str | None,
    save: Path | None,
    add_parts: bool,
    tables: Any,
) -> None:
    from buildkit import moving, pins_text, wiring
    from buildkit.model import Refused
    from buildkit.validation import did_you_mean

    if board_id is None and (save is not None or add_parts):
        complaints.fail("--save and --add-parts want --board: say which board the build moves to.")
    known = tables.board_ids()
    if board_id is not None and board_id not in known:
        complaints.fail(
            f"there is no board '{board_id}'. {did_you_mean(board_id, known, 'boards')}"
        )
    if save is not None and save.exists() and not (path.exists() and save.samefile(path)):
        complaints.fail(f"{save} is there already; choose another name, or delete it first.")
    build = _loaded(path, tables)
    if board_id is None:
        verdicts = moving.survey(build, tables)
        typer.echo(pins_text.survey_text(build.name, verdicts), nl=False)
        raise typer.Exit(0 if any(v.state != moving.STATES[2] for v in verdicts) else 1)
    try:
        found = moving.move(build, tables.board(board_id), tables, add_parts=add_parts)
    except Refused as refused:
        complaints.refuse(refused.faults)
    typer.echo(pins_text.move_text(found, str(path)), nl=False)
    typer.echo("\n" + wiring.render_rewiring_text(found.before, found.circuit), nl=False)
    if save is not None:
        _save_move(path, save, found)
    raise typer.Exit(1 if found.errors else 0)


def _save_move(path: Path, save: Path, found: Any) -> None:
    if found.homeless:
        complaints.say(f"nothing was saved; {', '.join(found.homeless)} would have no pin.")
        raise typer.Exit(1)
    _write(path, save, found.changes)
    typer.echo(f"  wrote {save}")


def _write(path: Path, target: Path, changes: Any) -> None:
    from buildkit import editing

    try:
        new = editing.edited(path.read_bytes(), changes, str(path))
        if changes or target != path:
            editing.write_whole(target, new)
    except editing.CannotEdit as error:
        complaints.fail(str(error))
    except OSError as error:
        complaints.fail(f"{path}: {error.strerror or error}. Nothing was changed.")
