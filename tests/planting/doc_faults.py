"""Faults of the document: what a slip of the keyboard does to a file."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

from tests.planting import entries as e
from tests.planting import paper
from tests.planting.beds import Bed, Tree, add, section_of, wire
from tests.planting.garden import Plant, at, plants

SECTIONS = ("probes", "loads", "displays", "alarms", "hands")


def _page(bed: Bed, dice: random.Random) -> tuple[list[str], dict[str, int]]:
    page = paper.write(bed.copy(), dice)
    return page.text.splitlines(), page.line


def _spoilt(lines: list[str], line: int, how: bytes | None = None) -> Plant:
    text = "\n".join(lines) + "\n"
    return Plant(text=text if how is None else text.encode().replace(b"<here>", how), line=line)


def _content(lines: list[str]) -> list[int]:
    """Numbers (from 0) of lines that hold a key and are not all flow."""
    return [n for n, text in enumerate(lines) if text.strip() and not text.strip().startswith("#")]


# --- doc.unreadable ---


@plants("doc.unreadable")
def a_tab_for_spaces(bed: Bed, dice: random.Random) -> Plant | None:
    lines, _ = _page(bed, dice)
    indented = [n for n in _content(lines) if lines[n].startswith("  ")]
    number = dice.choice(indented)
    lines[number] = "\t" + lines[number].lstrip()
    return _spoilt(lines, number + 1)


@plants("doc.unreadable")
def a_bracket_left_open(bed: Bed, dice: random.Random) -> Plant | None:
    lines, _ = _page(bed, dice)
    open_at = [
        n for n in _content(lines)[:-1] if lines[n].endswith(("]", "}")) and "#" not in lines[n]
    ]
    if not open_at:
        return None
    number = dice.choice(open_at)
    if lines[number].count("{") + lines[number].count("[") != 1:
        return None
    lines[number] = lines[number][:-1]
    return _spoilt(lines, number + 1)


@plants("doc.unreadable")
def a_quote_left_open(bed: Bed, dice: random.Random) -> Plant | None:
    """A quote that no later one closes."""
    lines, where = _page(bed, dice)
    number = where["about"] - 1
    rest = "".join(lines[number + 1 :])
    quotes = [quote for quote in ("'", '"') if quote not in rest]
    if not quotes:
        return None
    lines[number] = f"about: {dice.choice(quotes)}keeps the soil warm"
    return _spoilt(lines, number + 1)


@plants("doc.unreadable")
def a_colon_within_a_value(bed: Bed, dice: random.Random) -> Plant | None:
    lines, where = _page(bed, dice)
    number = where["about"] - 1
    lines[number] = "about: what it does: keeps the soil warm"
    return _spoilt(lines, number + 1)


@plants("doc.unreadable")
def a_byte_that_is_no_text(bed: Bed, dice: random.Random) -> Plant | None:
    """Latin-1 letters, a NUL, a control character; in a remark or a value."""
    lines, _ = _page(bed, dice)
    number = dice.randrange(len(lines) + 1)
    lines.insert(number, "# 30 <here>C")
    return _spoilt(lines, number + 1, dice.choice((b"\xb0", b"\xe4", b"\0", b"\x07", b"\x1b")))


@plants("doc.unreadable")
def an_escape_that_no_file_may_hold(bed: Bed, dice: random.Random) -> Plant | None:
    lines, where = _page(bed, dice)
    number = where["about"] - 1
    escape = dice.choice((r"\0", r"\x07", r"\e", r"\uD800", r"\q"))
    lines[number] = f'about: "warm {escape} soil"'
    return _spoilt(lines, number + 1)


@plants("doc.unreadable")
def two_builds_in_one_file(bed: Bed, dice: random.Random) -> Plant | None:
    lines, _ = _page(bed, dice)
    return _spoilt([*lines, "---", "build: second"], len(lines) + 1)


@plants("doc.unreadable")
def an_empty_file(bed: Bed, dice: random.Random) -> Plant | None:
    return Plant(text=dice.choice(("", "\n\n", "# nothing yet\n", "---\n")), line=1)


@plants("doc.unreadable")
def a_list_item_among_keys(bed: Bed, dice: random.Random) -> Plant | None:
    lines, where = _page(bed, dice)
    number = where["board"]
    lines.insert(number, "- drive: hood")
    return _spoilt(lines, number + 1)


# --- doc.duplicate-key ---


@plants("doc.duplicate-key")
def a_top_level_key_twice(bed: Bed, dice: random.Random) -> Plant | None:
    lines, _ = _page(bed, dice)
    key = dice.choice(
        ("build: twin", "board: atmega328p-5v", "ambient_c: 30", "supply: {rail: 5V, max_ma: 9}")
    )
    if key.split(":")[0] not in bed.tree:
        return None
    return _spoilt([*lines, key], len(lines) + 1)


@plants("doc.duplicate-key")
def a_key_twice_in_a_part_or_entry(bed: Bed, dice: random.Random) -> Plant | None:
    """Written once more, right behind: the second one is told."""
    lines, where = _page(bed, dice)
    alone = {line for line in where.values() if list(where.values()).count(line) == 1}
    paths = [p for p, line in where.items() if line in alone and not p.endswith("]") and "." in p]
    paths = [
        p
        for p in paths
        if ": " in lines[where[p] - 1] and not lines[where[p] - 1].lstrip().startswith("- ")
    ]
    if not paths:
        return None
    number = where[dice.choice(paths)]
    lines.insert(number, lines[number - 1])
    return _spoilt(lines, number + 1)


@plants("doc.duplicate-key")
def a_name_in_two_sections(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    names = [(s, name) for s in ("probes", "loads", "displays") for name in tree.get(s, {})]
    section, name = dice.choice(names)
    if name in tree.get("alarms", {}):
        return None
    tree.setdefault("alarms", {})[name] = e.lamp()
    return at(tree, f"alarms.{name}") if section != "alarms" else None


# --- doc.too-large ---


@plants("doc.too-large")
def a_file_of_megabytes(bed: Bed, dice: random.Random) -> Plant | None:
    lines, _ = _page(bed, dice)
    return _spoilt([*lines, *["# " + "x" * 98] * dice.randint(2700, 4000)], 1)


@plants("doc.too-large")
def brackets_within_brackets(bed: Bed, dice: random.Random) -> Plant | None:
    lines, where = _page(bed, dice)
    deep = dice.randint(25, 200)
    number = where["about"] - 1
    lines[number] = f"about: {'[' * deep}1{']' * deep}"
    return _spoilt(lines, number + 1)


@plants("doc.too-large")
def ten_thousand_values(bed: Bed, dice: random.Random) -> Plant | None:
    lines, where = _page(bed, dice)
    number = where["about"] - 1
    lines[number] = f"about: [{', '.join(['1'] * dice.randint(10_001, 12_000))}]"
    return _spoilt(lines, number + 1)


# --- doc.alias-or-tag ---


def _scalars(tree: Any, path: str = "") -> Iterator[tuple[Any, str | int, str]]:
    """Every scalar of a tree: its holder, its key there, its path."""
    children = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in children:
        here = f"{path}[{key}]" if isinstance(tree, list) else f"{path}.{key}" if path else str(key)
        if isinstance(value, dict | list):
            yield from _scalars(value, here)
        else:
            yield tree, key, here


@plants("doc.alias-or-tag")
def an_anchor_a_tag_or_an_alias(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    holder, key, path = dice.choice(list(_scalars(tree)))
    value = paper.scalar(holder[key], random.Random(0))
    holder[key] = paper.Raw(
        dice.choice((f"&this {value}", f"!!str {value}", f"!mine {value}", "*this"))
    )
    return at(tree, path)


# --- keys ---


def _places(tree: Tree) -> list[tuple[Tree, str, tuple[str, ...]]]:
    """Maps with fixed keys: the map, its path, and the keys that it may not lack."""
    found: list[tuple[Tree, str, tuple[str, ...]]] = [(tree, "", ("build", "board", "supply"))]
    found.append((tree["supply"], "supply", ("rail", "max_ma")))
    if "mains" in tree:
        found.append((tree["mains"], "mains", ("volts", "hz", "region")))
    must = {
        "probes": ("part", "value", "every_s"),
        "loads": ("part",),
        "displays": ("part",),
        "alarms": ("part", "when"),
        "hands": ("part", "commands"),
    }
    for section, keys in must.items():
        for name, entry in tree.get(section, {}).items():
            found.append((entry, f"{section}.{name}", keys))
            if "draws" in entry:
                found.append((entry["draws"], f"{section}.{name}.draws", ("volts", "amps", "kind")))
    must_control = ("drive", "by", "start_at", "stop_at", "if_no_reading", "no_reading_after_s")
    found += [(c, f"control[{n}]", must_control) for n, c in enumerate(tree.get("control", []))]
    found += [(c, f"cables.{n}", ("length_m",)) for n, c in tree.get("cables", {}).items()]
    return found


def _misspelt(word: str, dice: random.Random) -> str:
    place = dice.randrange(len(word) - 1)
    slips = (
        word[:place] + word[place + 1 :],
        word[:place] + word[place + 1] + word[place] + word[place + 2 :],
        word[:place] + word[place] + word[place:],
        word + dice.choice("sx"),
    )
    return dice.choice(slips)


@plants("doc.unknown-key")
def a_misspelt_key(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    place, path, _ = dice.choice(_places(tree))
    key = dice.choice(list(place))
    wrong = _misspelt(key, dice)
    if wrong in place or wrong == key:
        return None
    renamed = {wrong if k == key else k: v for k, v in place.items()}
    place.clear()
    place.update(renamed)
    return at(tree, f"{path}.{wrong}" if path else wrong)


@plants("doc.unknown-key")
def a_key_of_another_place(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    place, path, _ = dice.choice(_places(tree))
    key = dice.choice(("colour", "pins", "notes", "threshold", "every_m", "watts"))
    place[key] = dice.choice((1, "red", [1, 2]))
    return at(tree, f"{path}.{key}" if path else key)


@plants("doc.unknown-key")
def an_own_figure_that_the_part_has_not(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    use = dice.choice(bed.uses())
    name = _misspelt(dice.choice(list(use.figures)), dice)
    if name in use.figures:
        return None
    tree[use.section][use.name].setdefault("own_figures", {})[name] = 1
    return at(tree, f"{section_of(use)}.own_figures.{name}")


@plants("doc.unknown-key")
def rows_on_a_lamp_or_a_load_for_a_text(bed: Bed, dice: random.Random) -> Plant | None:
    displays = bed.uses(section="displays")
    if not displays:
        return None
    use, tree = dice.choice(displays), bed.copy()
    if use.part.shows == "lamp":
        tree["displays"][use.name]["rows"] = ["hello"]
        return at(tree, f"displays.{use.name}.rows")
    tree["displays"][use.name]["follows"] = dice.choice(list(tree.get("loads", {})) or ["fan"])
    return at(tree, f"displays.{use.name}.follows")


@plants("doc.missing-key")
def a_key_left_out(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    place, path, keys = dice.choice(_places(tree))
    del place[dice.choice(keys)]
    if not place:
        return None
    return at(tree, path or next(iter(tree)))


@plants("doc.missing-key")
def a_cable_without_its_size(bed: Bed, dice: random.Random) -> Plant | None:
    tree, use = bed.copy(), dice.choice(bed.uses())
    cable: Tree = {"length_m": round(dice.uniform(0.1, 9), 1)}
    if dice.random() < 0.4:
        cable |= {"awg": 24, "size_mm2": 0.2}
    tree.setdefault("cables", {})[use.name] = cable
    return at(tree, f"cables.{use.name}")


@plants("doc.missing-key")
def a_lamp_that_follows_nothing(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    return at(tree, add(tree, "displays", "light", {"part": e.LED}))


# --- values ---

_NUMBERS = {
    "max_ma": (None, 20_000), "ambient_c": (-40, 85), "every_s": (0.1, 3600), "average": (1, 1000),
    "min_on_s": (0, 86_400), "min_off_s": (0, 86_400), "run_on_s": (0, 86_400),
    "no_reading_after_s": (None, 86_400), "max_on_s": (None, 604_800), "stuck_after_s": (None, 604_800),
    "amps": (None, 100), "inrush_amps": (None, 1000), "length_m": (None, 100), "awg": (4, 40),
    "size_mm2": (None, 50), "address": (0, 127),
}  # fmt: skip
_CHOICES = {
    "hz": (49, 0, 400), "region": ("jp", "US", "europe"), "kind": ("heat", "Motor", "fan"),
    "if_no_reading": ("rest", "stay", "Off", "hold"),
}  # fmt: skip


@plants("doc.out-of-range")
def a_number_beyond_its_key(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    found = [(h, k, p) for h, k, p in _scalars(tree) if k in _NUMBERS and "own_figures" not in p]
    holder, key, path = dice.choice(found)
    low, high = _NUMBERS[str(key)]
    values: list[float] = [high + 1, high * 10]
    values += [0, -1, -high] if low is None else [low - 1]
    if key in ("average", "awg", "address"):
        values = [int(value) for value in values]
    holder[key] = dice.choice(values)
    return at(tree, path)


@plants("doc.out-of-range")
def a_word_that_is_no_choice(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    found = [(h, k, p) for h, k, p in _scalars(tree) if k in _CHOICES]
    if not found:
        return None
    holder, key, path = dice.choice(found)
    holder[key] = dice.choice(_CHOICES[str(key)])
    return at(tree, path)


@plants("doc.out-of-range")
def mains_of_twelve_volts(bed: Bed, dice: random.Random) -> Plant | None:
    if bed.build.mains is None:
        return None
    tree = bed.copy()
    tree["mains"]["volts"] = dice.choice((12, 24, 89, 261, 400))
    return at(tree, "mains.volts")


@plants("doc.out-of-range")
def an_own_figure_a_thousand_times_off(bed: Bed, dice: random.Random) -> Plant | None:
    """A slip of the unit: far beyond a thousand times the table's, or below zero."""
    tree, use = bed.copy(), dice.choice(bed.uses())
    names = [
        n for n, f in use.part.figures.items() if f.value > 0 and not n.endswith(("_c", "_percent"))
    ]
    name = dice.choice(names)
    value = use.part.figures[name].value
    slip = dice.choice((value * dice.uniform(1001, 1e6), -value))
    tree[use.section][use.name].setdefault("own_figures", {})[name] = float(f"{slip:.6g}")
    return at(tree, f"{section_of(use)}.own_figures.{name}")


@plants("doc.wrong-type")
def a_value_of_another_kind(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    found = [
        (h, k, p)
        for h, k, p in _scalars(tree)
        if isinstance(h, dict) and ".wires." not in p and p not in ("supply.rail", "mains.hz")
    ]
    holder, key, path = dice.choice(found)
    value = holder[key]
    if isinstance(value, int | float):
        holder[key] = dice.choice(
            (f"{value} s", f"{value}".replace(".", ",") + " A", [value], {"is": value}, True)
        )
    else:
        holder[key] = dice.choice(([value], {"is": value}, 5, True))
        if key in ("kind", "region", "if_no_reading"):
            return None  # one of a few words: told as such
    return at(tree, path)


@plants("doc.wrong-type")
def a_scalar_where_a_section_stands(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    section = dice.choice([key for key in tree if isinstance(tree[key], dict | list)])
    tree[section] = dice.choice(("none", 3, True, [] if isinstance(tree[section], dict) else {}))
    return at(tree, section)


@plants("doc.wrong-type")
def rows_that_are_no_list(bed: Bed, dice: random.Random) -> Plant | None:
    found = bed.uses(part=e.LCD)
    if not found:
        return None
    tree, use = bed.copy(), dice.choice(found)
    tree["displays"][use.name]["rows"] = dice.choice(("Hello", {"first": "Hello"}))
    return at(tree, f"displays.{use.name}.rows")


# --- names ---


@plants("doc.unsafe-name")
def a_build_that_climbs_out_of_its_folder(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    tree["build"] = dice.choice(
        (
            "../hood",
            "Kitchen Hood",
            "hood.v2",
            "a/b",
            "-hood",
            "con",
            "lpt1",
            "7up",
            "häuschen",
            "x" * 41,
            "a--b",
        )
    )
    return at(tree, "build")


@plants("doc.unsafe-name")
def a_part_whose_name_is_no_word_of_c(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    use = dice.choice(bed.uses())
    section = tree[use.section]
    wrong = dice.choice(
        (
            use.name.upper(),
            f"{use.name}-1",
            f"my {use.name}",
            f"1{use.name}",
            f"_{use.name}",
            "x" * 25,
            "board",
            "fuse",
            "supply",
        )
    )
    tree[use.section] = {
        wrong if name == use.name else name: entry for name, entry in section.items()
    }
    return at(tree, f"{use.section}.{wrong}")


@plants("doc.unknown-board")
def a_board_misspelt(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    tree["board"] = _misspelt(tree["board"], dice)
    return at(tree, "board") if tree["board"] not in e.BOARDS else None


@plants("doc.unknown-part")
def a_part_misspelt(bed: Bed, dice: random.Random) -> Plant | None:
    tree, use = bed.copy(), dice.choice(bed.uses())
    tree[use.section][use.name]["part"] = _misspelt(use.part.id, dice)
    wrong = tree[use.section][use.name]["part"] != use.part.id
    return at(tree, f"{section_of(use)}.part") if wrong else None


@plants("doc.unknown-part")
def a_part_in_the_wrong_section(bed: Bed, dice: random.Random) -> Plant | None:
    tree, use = bed.copy(), dice.choice(bed.uses())
    homes = {e.DUST: "probes", e.AIR: "probes", e.RELAY: "loads", e.SSR: "loads", e.LCD: "displays"}
    others = [part for part, home in homes.items() if home != use.section]
    tree[use.section][use.name]["part"] = dice.choice(others)
    return at(tree, f"{section_of(use)}.part")


@plants("doc.unknown-part")
def a_cable_to_nothing(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    name = _misspelt(dice.choice(bed.uses()).name, dice) + "_"
    name = name.rstrip("_") + "_x"
    tree.setdefault("cables", {})[name] = {"length_m": 2, "awg": 24}
    return at(tree, f"cables.{name}")


@plants("doc.unknown-terminal")
def a_terminal_misspelt(bed: Bed, dice: random.Random) -> Plant | None:
    tree, use = bed.copy(), dice.choice(bed.uses())
    terminal = dice.choice(list(use.part.terminals))
    wrong = dice.choice((terminal.lower(), f"{terminal}1", "PIN", terminal[:-1] or "Q"))
    if wrong in use.part.terminals:
        return None
    return at(tree, wire(tree, use, wrong, bed.board.ground_labels[0]))


@plants("doc.unknown-pin")
def a_pin_that_the_board_has_not(bed: Bed, dice: random.Random) -> Plant | None:
    tree, chosen = (
        bed.copy(),
        dice.choice([*bed.wires("supply"), *bed.wires("ground"), *bed.wires("signal")]),
    )
    label = dice.choice(("88", "D99", "A77", "PB99", "5 V", "12V", "gnd.", f"{chosen.label}x"))
    return at(tree, wire(tree, chosen.use, chosen.terminal.name, label))


@plants("doc.unknown-pin")
def a_supply_rail_that_the_board_has_not(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    tree["supply"]["rail"] = dice.choice(("12V", "5 V", "USB", "3.3V", 5))
    return at(tree, "supply.rail")


@plants("doc.unknown-probe")
def an_entry_by_a_probe_that_is_not(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    tree = bed.copy()
    wrong = dice.choice((_misspelt(found[1].by, dice), found[1].drive))
    tree["control"][found[0]]["by"] = wrong
    return at(tree, f"control[{found[0]}].by") if wrong not in bed.build.probes else None


@plants("doc.unknown-load")
def an_entry_for_a_load_that_is_not(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    tree = bed.copy()
    wrong = dice.choice((_misspelt(found[1].drive, dice), found[1].by))
    tree["control"][found[0]]["drive"] = wrong
    return at(tree, f"control[{found[0]}].drive") if wrong not in bed.build.loads else None


@plants("doc.unknown-load")
def a_lamp_that_follows_a_load_that_is_not(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    path = add(tree, "displays", "light", {"part": e.LED, "follows": "nobody"})
    return at(tree, f"{path}.follows")


@plants("doc.unknown-load")
def a_hand_on_a_load_that_is_not(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    path = add(tree, "hands", "knob", e.button("nobody", dice.choice(("rest", "toggle"))))
    return at(tree, f"{path}.commands")


@plants("doc.unknown-value")
def a_quantity_or_unit_that_is_not(bed: Bed, dice: random.Random) -> Plant | None:
    tree, (name, probe) = bed.copy(), dice.choice(list(bed.build.probes.items()))
    if dice.random() < 0.5:
        tree["probes"][name]["value"] = _misspelt(probe.quantity.name, dice)
        wrong = tree["probes"][name]["value"] not in probe.use.part.quantities
        return at(tree, f"probes.{name}.value") if wrong else None
    wrong_units = ("K", "furlong", "%RH" if probe.quantity.unit != "%RH" else "degC", "")
    tree["probes"][name]["unit"] = dice.choice(wrong_units)
    return at(tree, f"probes.{name}.unit")
