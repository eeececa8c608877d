"""What several commands take."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

BuildFile = Annotated[Path, typer.Argument(metavar="BUILD", help="The build file.")]
OwnTables = Annotated[
    Path | None,
    typer.Option("--tables", help="A folder with boards/ and parts/ of your own.", metavar="DIR"),
]
