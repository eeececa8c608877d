"""What a table says of itself that the schema cannot see: names, sources, figures of its kind."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from buildkit import fields, validation
from buildkit.document import Node
from buildkit.model import Fault
from buildkit.units import UNITS

# What may stand in place of a source: nobody published it, or we measured it ourselves.
_SOURCELESS = ("common practice", "from memory", "measured")


def faults(tree: Node, path: Path) -> list[Fault]:
    """Every such fault of the board or part at ``path``."""
    found: list[Fault] = []
    own_id = path.parent.name if path.name == "part.yaml" else path.stem
    id_node = tree.value["id"]
    if id_node.value != own_id:
        found.append(
            Fault(
                id_node.at,
                f"the table calls itself '{id_node.value}' but is stored as '{own_id}'",
                "Let the id and the file's or folder's name be the same.",
                rule="doc.unsafe-name",
            )
        )
    found += _citation_faults(tree) + _zeros(tree)
    if path.name == "part.yaml":
        found += _missing_keys(tree) + _missing_figures(tree)
        found += _name_faults(_part_names(tree)) + _unit_faults(tree)
    else:
        found += _name_faults(_board_names(tree))
    return found


def _citation_faults(tree: Node) -> list[Fault]:
    known = list(tree.value["sources"].value)
    faults: list[Fault] = []
    for node in _citations(tree):
        key = f"{node.value} ".split(" ")[0].rstrip(",;")
        if key not in known and not str(node.value).startswith(_SOURCELESS):
            faults.append(
                Fault(
                    node.at,
                    f"source '{key}' is not among this table's sources",
                    validation.did_you_mean(key, known, "sources"),
                    rule="doc.unknown-value",
                )
            )
    return faults


def _name_faults(named: Iterable[tuple[Node | None, Iterable[str], str]]) -> list[Fault]:
    """Names that a table uses and does not give: each with what there is, and of what kind."""
    return [
        Fault(
            node.at,
            f"there is no {what} '{node.text}' in this table",
            validation.did_you_mean(node.text, known, f"{what}s"),
            rule="doc.unknown-value",
        )
        for node, known, what in named
        if node is not None and node.text not in known
    ]


def _unit_faults(tree: Node) -> list[Fault]:
    return [
        Fault(
            unit.at,
            f"'{unit.text}' is not a unit for {name}",
            validation.did_you_mean(unit.text, UNITS, "units"),
            rule="doc.unknown-value",
        )
        for name, quantity in fields.items(tree, "quantities")
        if (unit := quantity.value["unit"]).value not in UNITS
    ]


def _board_names(tree: Node) -> Iterable[tuple[Node | None, Iterable[str], str]]:
    rails, ports = tree.value["rails"], tree.value["serial_ports"]
    for _, rail in rails.items():
        yield rail.get("fed_by"), rails.value, "rail"
    for _, inlet in fields.items(tree, "inlets"):
        yield inlet.get("feeds"), rails.value, "rail"
    yield tree.get("io_rail"), rails.value, "rail"
    yield tree.get("log_port"), ports.value, "serial port"


def _part_names(tree: Node) -> Iterable[tuple[Node | None, Iterable[str], str]]:
    terminals, figures = tree.value["terminals"].value, tree.value["figures"].value
    for extra in tree.value["extras"].value if tree.get("extras") else ():
        yield extra.get("ohms_from"), figures, "figure"
        for end in extra.value["between"].value:
            yield end, terminals, "terminal"
    for section, key, known, what in (
        ("switching", "input", terminals, "terminal"),
        ("cannot_go_silent", "unless", figures, "figure"),
    ):
        child = tree.get(section)
        yield child.get(key) if child else None, known, what


# Figures without which a part cannot be judged or written, by what it is.
_NEEDED: Mapping[str, tuple[str, ...]] = {
    "supply": ("supply_min_v", "supply_max_v", "supply_typical_ma", "supply_peak_ma"),
    "probes": ("refresh_s",),
    "i2c": ("bus_hz",),
    "uart": ("serial_baud",),
    "text": ("columns_count", "rows_count"),
    "lamp": ("forward_v", "series_ohms"),
    "switching": ("on_ma", "load_min_v", "load_max_v", "load_max_a"),
    "active high": ("on_min_v",),
    "active low": ("on_max_v", "off_min_v"),
    "hands": ("debounce_ms",),
    "divider": ("upper_ohms", "lower_ohms"),
    "shifter": ("pull_up_ohms", "on_ohms"),
    "measured": ("each_ram_bytes",),
    "tone": ("tone_hz",),
    "coil": ("driver_max_ma", "base_ohms", "base_on_v", "pull_down_ohms", "flyback_max_a"),
    "cutouts": ("opens_at_c", "load_max_v", "load_max_a"),
}


def _missing_figures(tree: Node) -> list[Fault]:
    """Figures that a part of its kind must have and its table lacks."""
    raw = tree.plain()
    kinds = {terminal["kind"] for terminal in raw["terminals"].values()} & {"supply"}
    kinds |= {terminal.get("wave", "") for terminal in raw["terminals"].values()}
    kinds |= {*raw["roles"], raw["talks"], raw.get("shows", ""), raw.get("between", "")}
    if "switching" in raw:
        kinds |= {"switching", f"active {raw['switching']['active']}"}
    figures = tree.value["figures"]
    signs = {"each_flash_bytes": "measured", "coil_ohms": "coil"}
    kinds |= {kind for figure, kind in signs.items() if figure in figures.value}
    return [
        Fault(
            figures.name_at,
            f"part '{raw['id']}' has no figure '{name}', which a part of its kind ({kind}) needs",
            f"Add '{name}: {{is: NUMBER, from: SOURCE}}'.",
            rule="doc.missing-key",
        )
        for kind in _NEEDED
        if kind in kinds
        for name in _NEEDED[kind]
        if name not in figures.value
    ]


# Keys without which a part cannot stand in a section.
_SECTION_KEYS = {
    "probes": "quantities", "loads": "switching", "displays": "shows", "hands": "hand",
    "between": "between",
}  # fmt: skip


def _missing_keys(tree: Node) -> list[Fault]:
    roles = tree.value["roles"]
    return [
        Fault(
            role.at,
            f"a part under '{role.value}' needs the key '{_SECTION_KEYS[role.value]}'",
            f"Add '{_SECTION_KEYS[role.value]}:', or take '{role.value}' out of its roles.",
            rule="doc.missing-key",
        )
        for role in roles.value
        if role.value in _SECTION_KEYS and _SECTION_KEYS[role.value] not in tree.value
    ]


# What formulas divide by: figures whose names end so, and a few by their whole name.
_ABOVE_ZERO = ("_ohms", "_k", "_baud", "_hz", "_count", "voh_at_ma", "adc_bits", "_reference_v")


def _zeros(tree: Node) -> list[Fault]:
    """Figures and rails that no such thing can have."""
    named = [
        (name, figure.value["is"])
        for name, figure in tree.value["figures"].items()
        if name.endswith(_ABOVE_ZERO) and not name.endswith("_per_k")
    ]
    for name, rail in fields.items(tree, "rails"):
        named += [(f"{key} of {name}", rail.value[key]) for key in ("volts", "min_v", "max_v")]
    return [
        Fault(
            node.at,
            f"'{name}' is {node.text}; it must be above 0",
            "Give the number of the data sheet.",
            {"value": node.value},
            "doc.out-of-range",
        )
        for name, node in named
        if node.value <= 0
    ]


def _citations(node: Node) -> Iterable[Node]:
    if isinstance(node.value, dict):
        for key, child in node.value.items():
            if key == "from" and isinstance(child.value, str):
                yield child
            else:
                yield from _citations(child)
    elif isinstance(node.value, list):
        for child in node.value:
            yield from _citations(child)
