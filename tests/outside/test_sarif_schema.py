"""SARIF before its published schema (OASIS, as an npm package carries it)."""

from __future__ import annotations

import json
import os
from pathlib import Path

from jsonschema import Draft7Validator
from typer.testing import CliRunner

from buildkit import cli
from tests.test_cli import ROOT

SCHEMA = Path(__file__).parent / "node/node_modules/@microsoft/jest-sarif/lib/schemas"


def test_every_example_gives_valid_sarif() -> None:
    schema = json.loads((SCHEMA / "sarif-2.1.0-rtm.5.json").read_text(encoding="utf-8"))
    validator = Draft7Validator(schema)
    done = CliRunner().invoke(
        cli.app, ["check", os.path.relpath(ROOT / "examples"), "none.yaml", "--format", "sarif"]
    )
    assert done.exit_code == 2
    log = json.loads(done.stdout)
    assert [str(error) for error in validator.iter_errors(log)] == []
    (run,) = log["runs"]
    assert len(run["tool"]["driver"]["rules"]) > 60
    assert {result["level"] for result in run["results"]} == {"error", "warning", "note"}
    # And the validator is no yes-man.
    run["results"][0]["level"] = "bad"
    assert not validator.is_valid(log)
