"""boards/ and templates/parts/ to Board and Part.

A table is read when it is first asked for; a folder given with ``extra`` is
searched first, so that a user's own board or part stands beside ours.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

from buildkit import document, model, table_faults, validation
from buildkit.document import Node
from buildkit.model import Refused
from buildkit.places import data_dir

_KEPT = 512  # tables in memory: all of ours and some hundreds of a user's
ALL_ABILITIES = frozenset({"digital-in", "digital-out", "pull-up", "one-wire"})


class Tables:
    """The boards and parts at hand, by id."""

    def __init__(self, extra: Path | None = None) -> None:
        roots = [] if extra is None else [extra]
        self._boards = _found([r / "boards" for r in roots] + [data_dir("boards")], "*.yaml")
        self._parts = _found(
            [r / "parts" for r in roots] + [data_dir("templates") / "parts"], "*/part.yaml"
        )

    def board_ids(self) -> list[str]:
        """Ids of all boards, sorted."""
        return sorted(self._boards)

    def part_ids(self) -> list[str]:
        """Ids of all parts, sorted."""
        return sorted(self._parts)

    def board(self, board_id: str) -> model.Board:
        """The board of that id.  KeyError when unknown, Refused when its table is faulty."""
        return _board(self._boards[board_id])

    def part(self, part_id: str) -> model.Part:
        """The part of that id.  KeyError when unknown, Refused when its table is faulty."""
        return _part(self._parts[part_id])


def _found(folders: Iterable[Path], pattern: str) -> dict[str, Path]:
    tables: dict[str, Path] = {}
    for folder in folders:
        for path in sorted(folder.glob(pattern)):
            table_id = path.parent.name if path.name == "part.yaml" else path.stem
            tables.setdefault(table_id, path)
    return tables


def _read(path: Path, kind: str) -> tuple[Node, dict[str, Any]]:
    tree = document.read(path)
    faults = validation.faults(tree, kind)
    if not faults:
        faults = table_faults.faults(tree, path)
    if faults:
        raise Refused(faults)
    return tree, tree.plain()


def _figures(raw: Mapping[str, Any]) -> dict[str, model.Figure]:
    return {name: model.Figure(float(entry["is"]), entry["from"]) for name, entry in raw.items()}


def _labels(raw: Iterable[Any]) -> tuple[str, ...]:
    return tuple(str(label) for label in raw)


@lru_cache(maxsize=_KEPT)
def _board(path: Path) -> model.Board:
    _, raw = _read(path, "board")
    core = raw["core"]
    boot = raw["bootloader"]
    return model.Board(
        id=raw["id"],
        title=raw["title"],
        chip=raw["chip"],
        core=model.Core(
            family=core["family"],
            identifier=core["identifier"],
            unused_tx=core.get("unused_tx"),
            mcu=core.get("mcu", ""),
            variant=core.get("variant", ""),
            defines=tuple(core.get("defines", ())),
            package=core.get("package", ""),
            takes={name: _taking(entry) for name, entry in core.get("takes", {}).items()},
        ),
        bootloader=model.Bootloader(boot["name"], boot["survives_watchdog"], boot["from"]),
        figures=_figures(raw["figures"]),
        rails={name: _rail(name, entry) for name, entry in raw["rails"].items()},
        io_rail=raw["io_rail"],
        ground_labels=_labels(raw["grounds"]),
        other_labels=raw.get("others", {}),
        log_port=raw["log_port"],
        serial_ports=raw["serial_ports"],
        groups=tuple(
            model.PinGroup(g["name"], tuple(g["pins"]), g["max_ma"], g["direction"], g["from"])
            for g in raw.get("groups", [])
        ),
        pins={str(label): _pin(str(label), entry) for label, entry in raw["pins"].items()},
        headers=tuple(model.Header(h["name"], _labels(h["labels"])) for h in raw["headers"]),
        sources=raw["sources"],
        inlets={name: _inlet(name, entry) for name, entry in raw.get("inlets", {}).items()},
    )


def _inlet(name: str, raw: Mapping[str, Any]) -> model.Inlet:
    return model.Inlet(name, raw["feeds"], raw["min_v"], raw["max_v"], raw["from"], _regulator(raw))


def _regulator(raw: Mapping[str, Any]) -> model.Regulator | None:
    found = raw.get("regulator")
    if found is None:
        return None
    return model.Regulator(found["k_per_w"], found["junction_max_c"], found["from"])


def _taking(raw: Mapping[str, Any]) -> model.Taking:
    return model.Taking(
        timers=tuple(raw.get("timers", ())),
        source=raw["from"],
        at_once=raw.get("at_once", 0),
        frequencies=raw.get("frequencies", 0),
        pin_change=raw.get("pin_change", False),
        bears_pwm=raw.get("bears_pwm", False),
    )


def _rail(name: str, raw: Mapping[str, Any]) -> model.Rail:
    return model.Rail(
        name=name,
        volts=raw["volts"],
        min_v=raw["min_v"],
        max_v=raw["max_v"],
        gives_ma=raw["gives_ma"],
        labels=_labels(raw["labels"]),
        source=raw["from"],
        fed_by=raw.get("fed_by"),
        regulator=_regulator(raw),
        usb=raw.get("usb"),
    )


def _pin(label: str, raw: Mapping[str, Any]) -> model.Pin:
    return model.Pin(
        label=label,
        port=raw["port"],
        number=raw["number"],
        code=raw.get("code", str(raw["number"])),
        can=frozenset(raw["can"]) if "can" in raw else ALL_ABILITIES,
        aliases=_labels(raw.get("aliases", ())),
        roles=tuple(raw.get("roles", ())),
        adc=raw.get("adc"),
        pwm=raw.get("pwm"),
        interrupt=raw.get("interrupt"),
        pin_change=raw.get("pin_change"),
        soft_rx=raw.get("soft_rx", False),
        max_v=raw.get("max_v"),
        at_reset=raw.get("at_reset"),
        adc_limit=raw.get("adc_limit"),
        hazards=tuple(
            model.Hazard(h["is"], h["why"], h.get("needs")) for h in raw.get("hazards", ())
        ),
    )


@lru_cache(maxsize=_KEPT)
def _part(path: Path) -> model.Part:
    _, raw = _read(path, "part")
    figures = _figures(raw["figures"])
    switching = raw.get("switching")
    return model.Part(
        id=raw["id"],
        title=raw["title"],
        about=" ".join(raw["about"].split()),
        roles=frozenset(raw["roles"]),
        talks=raw["talks"],
        terminals={name: _terminal(name, entry) for name, entry in raw["terminals"].items()},
        figures=figures,
        quantities={n: _quantity(n, entry) for n, entry in raw.get("quantities", {}).items()},
        addresses=tuple(raw.get("addresses", ())),
        default_address=raw.get("default_address"),
        switching=_switching(switching) if switching else None,
        extras=tuple(_extra(entry, figures) for entry in raw.get("extras", ())),
        shows=raw.get("shows", ""),
        between=raw.get("between", ""),
        hand=raw.get("hand", ""),
        font=raw.get("font", {}),
        font_missing=frozenset(raw.get("font_missing", "")),
        cautions=tuple(raw.get("cautions", ())),
        sources=raw["sources"],
        folder=str(path.parent),
        cannot_go_silent=raw.get("cannot_go_silent", {}).get("why", ""),
        silence_figure=raw.get("cannot_go_silent", {}).get("unless", ""),
    )


def _terminal(name: str, raw: Mapping[str, Any]) -> model.Terminal:
    return model.Terminal(
        name=name,
        kind=raw["kind"],
        about=raw["about"],
        needs=raw.get("needs"),
        flow=raw.get("flow"),
        leave_open=raw.get("leave_open", False),
        contact=raw.get("contact"),
        side=raw.get("side"),
        joint=raw.get("joint", False),
        wave=raw.get("wave"),
    )


def _exact(number: float) -> Fraction:
    """A decimal of a table as the fraction that its digits say, not its float."""
    return Fraction(str(number))


def _quantity(name: str, raw: Mapping[str, Any]) -> model.Quantity:
    return model.Quantity(
        name=name,
        about=raw["about"],
        unit=raw["unit"],
        low=_exact(raw["low"]),
        high=_exact(raw["high"]),
        resolution=_exact(raw["resolution"]),
        noise=_exact(raw["noise"]),
        decimals=raw["decimals"],
        source=raw["from"],
    )


def _switching(raw: Mapping[str, Any]) -> model.Switching:
    rest = raw.get("rest")
    return model.Switching(
        switches=raw["switches"],
        contact=raw["contact"],
        active=raw["active"],
        input_terminal=raw["input"],
        rest_by=rest["by"] if rest else None,
        rest_why=rest["why"] if rest else "",
        kinds=frozenset(raw["kinds"]),
        low_side=raw.get("low_side", False),
    )


def _extra(raw: Mapping[str, Any], figures: Mapping[str, model.Figure]) -> model.Extra:
    ohms = figures[raw["ohms_from"]].value if "ohms_from" in raw else raw.get("ohms")
    first, second = raw["between"]
    return model.Extra(
        name=raw["name"],
        between=(first, second),
        ohms=ohms,
        why=raw["why"],
        series=raw.get("series", False),
        ohms_from=raw.get("ohms_from", ""),
        kind=raw.get("kind", "resistor"),
        leads=raw.get("leads", {}),
        kinds=frozenset(raw.get("only_for", ())),
    )
