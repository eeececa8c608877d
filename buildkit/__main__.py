"""Where ``buildkit`` begins: two calls are answered before the command line is loaded."""

from __future__ import annotations

import io
import os
import sys

from buildkit import __version__


def main() -> None:
    """Answer the call of the process; what it prints may meet a full disk or a closed pipe."""
    for name in ("stdout", "stderr"):  # closed by the caller, as '>&-' does
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
    try:
        try:
            _answer()
        finally:
            sys.stdout.flush()
    except OSError as error:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # nothing more to flush
        if not isinstance(error, BrokenPipeError):
            what = error.filename or "the answer cannot be written"
            print(f"buildkit: {what}: {error.strerror or error}.", file=sys.stderr)
        sys.exit(2)


def _answer() -> None:
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal of few characters shows '?'
            stream.reconfigure(errors="replace")
    words = sys.argv[1:]
    if words == ["--version"]:
        print(f"buildkit {__version__}")
    elif not (len(words) == 2 and words[0] == "explain" and _explained(words[1])):
        from buildkit import cli

        cli.main()


def _explained(name: str) -> bool:
    """Show the page of a rule; False when there is none of that name."""
    from buildkit import rules

    rule = rules.named(name)
    if rule is None:
        return False
    from buildkit import pages

    print(pages.rule_text(rule), end="")
    return True


if __name__ == "__main__":
    main()
