"""The commands ``schema`` and ``start``; everything they do is in the modules that they call."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from buildkit import complaints, complete
from buildkit.cli_options import OwnTables
from buildkit.swift import App, Command

LIST = "?"  # what '--like' without a value means


class StartCommand(Command):
    """``start``, whose '--like' may stand alone and whose help lists the examples."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the words behind the command."""
        words = list(args)
        for index, word in enumerate(words):
            following = words[index + 1] if index + 1 < len(words) else "-"
            if word == "--like" and following.startswith("-"):
                words[index] = f"--like={LIST}"
        return super().parse_args(ctx, words)

    def format_epilog(self, ctx: Any, formatter: Any) -> None:
        """List the examples below the options."""
        from buildkit import start

        with formatter.section("Examples"):
            formatter.write_dl(list(start.examples().items()))


def register(app: App, tables: Callable[..., Any]) -> None:
    """Put both commands into the command line."""

    @app.command()
    def schema(
        kind: Annotated[
            str, typer.Argument(metavar="build|board|part|room", help="The kind of file.")
        ] = "build",
        own_tables: OwnTables = None,
    ) -> None:
        """Print the JSON Schema that lets an editor complete and check."""
        from buildkit import published

        if kind not in published.KINDS:
            complaints.fail(f"there is a schema of build, board, part and room, not of '{kind}'.")
        sys.stdout.write(published.text(kind, tables(own_tables)))

    @app.command(cls=StartCommand)
    def start(
        name: Annotated[
            str, typer.Argument(metavar="NAME", help="The name of your build, such as shed-fan.")
        ] = "",
        like: Annotated[
            str | None,
            typer.Option(
                "--like",
                metavar="[EXAMPLE]",
                autocompletion=complete.examples,
                help="The example to begin from; alone, lists the examples.",
            ),
        ] = None,
        board: Annotated[
            str | None,
            typer.Option(
                "--board",
                metavar="ID",
                autocompletion=complete.boards,
                help="Another board than the example's.",
            ),
        ] = None,
        about: Annotated[
            str | None,
            typer.Option("--about", metavar="TEXT", help="One sentence: what it does and where."),
        ] = None,
        start_at: Annotated[
            str | None,
            typer.Option("--start-at", metavar="N", help="The reading at which the load starts."),
        ] = None,
        stop_at: Annotated[
            str | None,
            typer.Option("--stop-at", metavar="N", help="The reading at which it stops."),
        ] = None,
    ) -> None:
        """Begin your build from an example, each key explained."""
        from buildkit.start import Wish

        wish = Wish(name, like or "", board, about, start_at, stop_at)
        _start(wish, tables(None))


def _start(wish: Any, tables: Any) -> None:
    from dataclasses import replace

    from buildkit import report, start
    from buildkit.validation import did_you_mean

    known = start.examples()
    if wish.like == LIST:
        sys.stdout.write(report.table_text(known.items()))
        return
    on_terminal = sys.stdin.isatty() and sys.stdout.isatty()
    if not wish.name and on_terminal:
        wish = replace(wish, name=_ask("Name of your build, in small letters", "my-build"))
    if not wish.name:
        complaints.fail("say what the build is called, as in 'buildkit start kitchen-hood'.")
    asking = not wish.like and on_terminal
    if asking:
        sys.stdout.write(report.table_text(known.items()))
        wish = replace(wish, like=_ask("Which is most like yours", next(iter(known))))
    if not wish.like:
        wish = replace(wish, like=start.PLAINEST)
        sys.stdout.write(f"  like {wish.like}; 'buildkit start --like' lists the others\n")
    if wish.like not in known:
        told = did_you_mean(wish.like, known, "examples")
        complaints.fail(f"there is no example '{wish.like}'. {told}")
    if asking:
        wish = start.asked(wish, _ask)
    _write(wish, tables)


def _ask(question: str, default: str) -> str:
    sys.stdout.write(f"{question} [{default}]: ")
    sys.stdout.flush()
    return sys.stdin.readline().strip() or default


def _write(wish: Any, tables: Any) -> None:
    from buildkit import report, start
    from buildkit.validation import clip

    text, found = start.made(wish, tables)
    if found.errors:
        for finding in found.findings:
            if finding.severity == "error":
                sys.stdout.write("\n".join(report.finding_lines(finding)) + "\n")
        complaints.say("nothing was written; change what the findings name.")
        if found.circuit is not None and wish.board is not None:
            fitting = ", ".join(start.fitting(wish.board, tables))
            complaints.say(f"examples that {wish.board} can carry: {fitting or 'none'}.")
        raise typer.Exit(1)
    if found.circuit is None or found.circuit.build.name != wish.name:
        complaints.fail(f"'{clip(wish.name)}' cannot be the name of a build.")
    try:
        path = start.write(wish.name, text, Path())
    except FileExistsError:
        complaints.fail(
            f"{wish.name}.yaml is there already; choose another name, or delete it first."
        )
    except OSError as error:
        complaints.fail(f"{wish.name}.yaml: {error.strerror or error}. Nothing was written.")
    for passage in found.circuit.passages.values():
        put_in = f"{passage.between.of} {passage.between.terminal}"
        sys.stdout.write(f"  put in for this board: {passage.use.part.id} at {put_in}\n")
    sys.stdout.write(f"  wrote {path}\n  Next: buildkit check {path}\n")
