"""The commands; everything they do is in the modules that they call."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from buildkit import __version__, cli_pins, cli_rehearsal, cli_start, complaints, complete
from buildkit.cli_options import BuildFile, OwnTables
from buildkit.swift import App

app = App(
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    help="From one YAML file to a checked circuit, a sketch and a wiring list.",
    epilog="Exit codes: 0 no error, 1 errors found, 2 the command could not run.",
)


def main() -> None:
    """Run the command line; a fault of the call goes to stderr with exit code 2."""
    app()


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"buildkit {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="The version.")
    ] = False,
) -> None:
    """Options that stand before a command."""


def _tables(folder: Path | None) -> Any:
    from buildkit.tables import Tables

    if folder is not None and not folder.is_dir():
        complaints.fail(f"{folder} is not a folder; --tables wants one with boards/ and parts/.")
    return Tables(folder)


def _checked(path: Path, tables: Any) -> Any:
    from buildkit.checking import check as check_one
    from buildkit.document import CannotOpen

    try:
        return check_one(path, tables)
    except CannotOpen as error:
        complaints.say(str(error))
        return None


@app.command()
def check(
    builds: Annotated[
        list[Path],
        typer.Argument(metavar="BUILD...", help="Build files, and folders that hold some."),
    ],
    strict: Annotated[
        bool, typer.Option("--strict", help="Warnings fail too, with exit code 1.")
    ] = False,
    format_: Annotated[
        str, typer.Option("--format", help="text to read, json for programs, sarif for code hosts.")
    ] = "text",
    tables: OwnTables = None,
) -> None:
    """Find what is wrong with a build before you buy and solder."""
    from buildkit import batch

    if format_ not in batch.FORMATS:
        complaints.fail(f"--format is text, json or sarif, not '{format_}'.")
    raise typer.Exit(batch.run(builds, _tables(tables), format_, strict=strict))


@app.command()
def write(
    build: BuildFile,
    into: Annotated[
        Path,
        typer.Option(
            "--into", metavar="DIR", help="The folder to write into; made when it is not there."
        ),
    ],
    force: Annotated[
        bool, typer.Option("--force", help="Replace files you edited; yours are kept as NAME.kept.")
    ] = False,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="A PDF too; needs pip install 'buildkit[pdf]'.")
    ] = False,
    tables: OwnTables = None,
) -> None:
    """Check a build, choose pins, write sketch and wiring list."""
    from buildkit import report

    result = _checked(build, _tables(tables))
    if result is None:
        raise typer.Exit(2)
    typer.echo(report.check_text(result), nl=False)
    if result.errors:
        complaints.say("nothing was written; mend the errors first.")
        raise typer.Exit(1)
    _write(result, into, force, pdf)


def _write(result: Any, into: Path, force: bool, pdf: bool) -> None:
    from buildkit import writing
    from buildkit.sketch import TemplateFault

    try:
        paths = writing.write(writing.contents(result, with_pdf=pdf), into, force=force)
    except (writing.CannotWrite, TemplateFault) as error:
        complaints.fail(str(error))
    for path in paths:
        typer.echo(f"  wrote {path}")
    if result.circuit.build.loads:
        typer.echo("  Low voltage first, mains last: the steps are in wiring.html.")


@app.command()
def boards(
    board_id: Annotated[
        str | None,
        typer.Argument(
            metavar="ID", help="A board's id, to see its page.", autocompletion=complete.boards
        ),
    ] = None,
    tables: OwnTables = None,
) -> None:
    """List the boards, or show the pins and hazards of one."""
    from buildkit import report

    known = _tables(tables)
    _show(board_id, known.board_ids(), known.board, report.board_text, "board")


@app.command()
def parts(
    part_id: Annotated[
        str | None,
        typer.Argument(
            metavar="ID", help="A part's id, to see its page.", autocompletion=complete.parts
        ),
    ] = None,
    tables: OwnTables = None,
) -> None:
    """List the parts, or show the terminals and figures of one."""
    from buildkit import report

    known = _tables(tables)
    _show(part_id, known.part_ids(), known.part, report.part_text, "part")


def _show(
    wanted: str | None,
    known: list[str],
    look_up: Callable[[str], Any],
    page: Callable[[Any], str],
    what: str,
) -> None:
    from buildkit import report
    from buildkit.model import Refused
    from buildkit.validation import did_you_mean

    if wanted is not None and wanted not in known:
        complaints.fail(f"there is no {what} '{wanted}'. {did_you_mean(wanted, known, what + 's')}")
    try:
        if wanted is None:
            rows = [(name, look_up(name).title) for name in known]
            typer.echo(report.table_text(rows), nl=False)
        else:
            typer.echo(page(look_up(wanted)), nl=False)
    except Refused as refused:
        complaints.refuse(refused.faults)


@app.command()
def explain(
    rule: Annotated[
        str | None,
        typer.Argument(
            metavar="RULE",
            help="A rule's name, as a finding shows it.",
            autocompletion=complete.rules,
        ),
    ] = None,
) -> None:
    """Tell what a rule checks and why; without a name, list all rules."""
    from buildkit import pages, report, rules
    from buildkit.validation import did_you_mean

    catalogue = rules.catalogue()
    if rule is None:
        rows = [(f"{r.name} ({r.severity})", r.summary) for r in catalogue.values()]
        typer.echo(report.table_text(rows), nl=False)
    elif rule in catalogue:
        typer.echo(pages.rule_text(catalogue[rule]), nl=False)
    else:
        complaints.fail(f"there is no rule '{rule}'. {did_you_mean(rule, catalogue, 'rules')}")


cli_pins.register(app, _tables)
cli_rehearsal.register(app, _tables)
cli_start.register(app, _tables)

if __name__ == "__main__":
    main()
