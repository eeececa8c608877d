"""The packages that we stand on: each listed in DEVELOPERS.md, pinned, and under the licence told there.

The licences are those of the installed distributions' own metadata, and of
their licence files where the metadata says nothing.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from importlib import metadata

from tests.test_cli import ROOT

TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Dependencies")[1]
NODE = ROOT / "tests" / "outside" / "node"
WORDS = {  # what a licence is called, in the order in which it is looked for
    "LGPL": r"LGPL|Lesser General",
    "MPL": r"MPL|Mozilla Public",
    "Apache": r"Apache",
    "BSD": r"BSD|Redistribution and use in source and binary forms",
    "MIT-CMU": r"MIT-CMU",
    "MIT": r"\bMIT\b|Permission is hereby granted, free of charge",
    "ISC": r"\bISC\b",
    "PSF": r"PSF|Python Software Foundation",
}


def plain(name: str) -> str:
    """A package's name as indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def licence(text: str) -> str:
    return next((name for name, pattern in WORDS.items() if re.search(pattern, text)), "")


def rows() -> dict[str, tuple[str, str]]:
    """Package by package, state and licence as the table tells them."""
    found = {}
    for names, _, state, terms in re.findall(
        r"^\| (?!package|---)(.+) \| (.+) \| (.+) \| (.+) \|$", TEXT, re.MULTILINE
    ):
        for name in re.sub(r"\*[^*]*\*", "", names).split(","):
            found[plain(name.strip())] = (state, licence(terms))
    return found


def told() -> dict[str, str]:
    """Package by package, the licence that the guide tells: the table, then the list."""
    found = {name: terms for name, (_, terms) in rows().items()}
    for terms, names in re.findall(r"^- ([^:]+): ((?:.|\n  )+)$", TEXT, re.MULTILINE):
        for name in names.strip(". \n").split(","):
            found[plain(name.strip())] = licence(terms)
    return found


def own_state(name: str) -> str:
    said = metadata.metadata(name).get_all("Classifier") or []
    states = [one for one in said if one.startswith("Development Status")]
    return states[0].split(" - ")[1].split("/")[-1].lower() if states else "not told"


def pinned() -> set[str]:
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    return {plain(line.split("==")[0]) for line in lines if line and not line.startswith("#")}


def wanted() -> set[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [one for some in project["optional-dependencies"].values() for one in some]
    return {plain(re.split(r"[<>=\[ ]", one)[0]) for one in [*project["dependencies"], *extras]}


def npm() -> set[str]:
    return set(json.loads((NODE / "package.json").read_text(encoding="utf-8"))["devDependencies"])


def own_licence(name: str) -> str:
    """What a distribution says of itself."""
    found = metadata.distribution(name)
    data = found.metadata
    short = [text for text in data.get_all("License") or [] if len(text) < 40]
    said = [
        *(data.get_all("License-Expression") or []),
        *short,
        *(data.get_all("Classifier") or []),
    ]
    # An older pip lists the source's files, of which not all are installed.
    files = [
        f
        for f in found.files or []
        if ("licen" in f.name.lower() or "copying" in f.name.lower()) and f.locate().is_file()
    ]
    said += [f.read_text(encoding="utf-8") for f in files]
    return next(
        (one for text in said if text != "License :: OSI Approved" and (one := licence(text))), ""
    )


def test_what_is_listed_is_what_is_pinned() -> None:
    assert set(told()) - {plain(name) for name in npm()} == pinned()
    assert wanted() <= pinned()


def test_each_package_has_the_licence_that_is_told() -> None:
    assert {name: own_licence(name) for name in sorted(pinned())} == {
        name: terms for name, terms in sorted(told().items()) if name in pinned()
    }


def test_the_state_of_a_package_is_that_of_its_metadata() -> None:
    python = {name: state for name, (state, _) in rows().items() if name in pinned()}
    assert python == {name: own_state(name) for name in wanted()}


def test_npm_packages_have_the_licence_that_is_told() -> None:
    locked = json.loads((NODE / "package-lock.json").read_text(encoding="utf-8"))["packages"]
    for name in npm():
        assert licence(locked[f"node_modules/{name}"]["license"]) == told()[plain(name)]
    terms = {entry["license"] for path, entry in locked.items() if path}
    assert terms <= {"MIT", "ISC", "BSD-2-Clause", "BSD-3-Clause"}


def test_the_pythons_that_are_named_are_those_that_are_tried() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = [c.rsplit(" ", 1)[1] for c in project["classifiers"] if " :: 3." in c]
    assert project["requires-python"] == f">={named[0]}"
    assert f"{sys.version_info.major}.{sys.version_info.minor}" in named
    done = subprocess.run(
        ["sh", str(ROOT / ".ci" / "pythons"), "3.99"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert "Not on this machine: 3.99." in done.stdout
