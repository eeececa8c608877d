"""Where ``buildkit`` begins: two calls are answered before the command line is loaded."""

from __future__ import annotations

import io
import sys

from buildkit import __version__


def main() -> None:
    """Answer the call of the process."""
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
