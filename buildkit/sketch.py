"""Circuit to sketch: one complete .ino, readable from top to bottom.

The frame stands in templates/sketch, what a part adds in its own folder.  A
part's ``sketch.j2`` has the macros ``code(u)`` (once a part), ``make(u)``
(once a use) and, where needed, ``begin(u)``; ``u`` is a ``PartView``.  What
several kinds of parts have in common goes in through ``u.share``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import jinja2

from buildkit import control, electrics, escapes
from buildkit.circuit import Circuit
from buildkit.model import Board, Hand, Pin, Probe, Quantity, Use
from buildkit.places import data_dir
from buildkit.scene import display_scene, scene_of


class TemplateFault(Exception):
    """A template that cannot be filled; the message names its file, line and part."""


@dataclass(frozen=True)
class PartView:
    """What a part's macros may ask about one use of it."""

    use: Use
    circuit: Circuit
    core: Any
    quiet_serial: bool
    shared: dict[str, None]

    def share(self, block: str) -> str:
        """A block that is written once, before the parts' own code, whoever gives it too."""
        self.shared.setdefault(str(block).strip())
        return ""

    @property
    def name(self) -> str:
        """The use's name, safe as the tail of an identifier."""
        return self.use.name

    @property
    def address(self) -> int | None:
        """Its bus address."""
        return self.use.address

    @property
    def value(self) -> str:
        """The quantity that a probe reads."""
        return self._probe.quantity.name

    @property
    def every_ms(self) -> int:
        """Milliseconds between readings."""
        return control.milliseconds(self._probe.every_s)

    @property
    def _probe(self) -> Probe:
        return self.circuit.build.probes[self.use.name]

    def pin(self, terminal: str) -> Pin:
        """The board's pin on a terminal."""
        wire = self.circuit.wire(self.use, terminal)
        if wire is None or wire.pin is None:
            raise TemplateFault(f"{self.use.name} {terminal} has no pin; check the build first.")
        return wire.pin

    def figure(self, name: str) -> float:
        """A figure of the part, the builder's own laid over it."""
        return self.use.figure(name)

    def ms(self, name: str) -> int:
        """A figure in seconds as whole milliseconds."""
        return control.milliseconds(self.use.figure(name))

    def surely_ms(self, name: str) -> int:
        """A count of millis() in which a figure in milliseconds has passed for certain.

        The first millisecond may be about to end.  On the AVR core the counter moves when
        timer 0 overflows, every 16384 clocks, and makes up for the fraction (wiring.c).
        """
        board = self.circuit.board
        tick_ms = 16384e3 / board.figure("clock_hz") if board.core.family == "avr" else 0.0
        return math.ceil(self.figure(name) + tick_ms + 1)

    @property
    def press(self) -> str:
        """What a press of a button does, as the letter that its code compares."""
        return {"rest": "r", "toggle": "t", "run-for": "f"}[self._hand.does]

    @property
    def press_ms(self) -> int:
        """Milliseconds that a press lasts, 0 where the next press ends it."""
        return control.milliseconds(self._hand.for_s or 0.0)

    @property
    def _hand(self) -> Hand:
        return self.circuit.build.hands[self.use.name]

    @property
    def columns(self) -> int:
        """Columns of a display."""
        return int(self.figure("columns_count"))

    @property
    def rows(self) -> int:
        """Rows of a display."""
        return int(self.figure("rows_count"))

    @property
    def quantity(self) -> Quantity:
        """The quantity that a probe reads, with its span and resolution."""
        return self._probe.quantity

    @property
    def adc_mv(self) -> int:
        """Millivolts at which a conversion gives its highest number."""
        return round(self.circuit.board.figure("adc_reference_v") * 1000)

    @property
    def divided(self) -> float:
        """What a divider in the part's analog wire leaves of its voltage; 1 without one."""
        for wire in self.circuit.signals():
            passage = self.circuit.passage(wire)
            if wire.use is self.use and wire.terminal.needs == "adc" and passage is not None:
                return passage.high_v(1.0, "board")
        return 1.0

    @property
    def adc_top(self) -> int:
        """The highest number that one conversion gives."""
        return (1 << int(self.circuit.board.figure("adc_bits"))) - 1


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(data_dir("templates")),
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
    )
    environment.filters.update(comment=escapes.comment, wrap=escapes.wrap)
    environment.globals["electrics"] = electrics
    return environment


def render(circuit: Circuit) -> str:
    """The sketch of a circuit that has no errors.  Raises TemplateFault."""
    try:
        return _render(circuit)
    except jinja2.TemplateSyntaxError as error:
        raise TemplateFault(f"{error.filename}:{error.lineno}: {error.message}") from None
    except jinja2.UndefinedError as error:
        raise TemplateFault(f"a sketch template asks for what is not there: {error}") from None


def _render(circuit: Circuit) -> str:
    environment = _environment()
    scene = scene_of(circuit)
    core_template = environment.get_template(_core_file(circuit.board))
    core: Any = core_template.make_module({"s": scene})
    scene.update(_part_blocks(circuit, core, bool(scene["quiet_serial"])))
    text = environment.get_template("sketch/sketch.ino.j2").render(
        s=scene, core_template=core_template
    )
    return _tidy(text)


def families() -> list[str]:
    """The core families for which a sketch can be written."""
    files = (data_dir("templates") / "sketch").glob("core-*.j2")
    return sorted(path.stem.removeprefix("core-") for path in files)


def _core_file(board: Board) -> str:
    if board.core.family not in families():
        raise TemplateFault(
            f"sketches for the core family '{board.core.family}' of {board.id} are not written "
            f"yet, only for {', '.join(families())}. 'buildkit check' works for this board; to "
            "get a sketch, take a board of one of those."
        )
    return f"sketch/core-{board.core.family}.j2"


def _tidy(text: str) -> str:
    """No blanks at line ends, never two empty lines together."""
    lines: list[str] = []
    for line in (raw.rstrip() for raw in text.splitlines()):
        if line or (lines and lines[-1]):
            lines.append(line)
    return "\n".join(lines).strip("\n") + "\n"


def _part_blocks(circuit: Circuit, core: Any, quiet_serial: bool) -> dict[str, Any]:
    """What the parts' own macros add: code once a part, the rest once a use."""
    build = circuit.build
    code: dict[str, str] = {}
    shared: dict[str, None] = {}
    makers: list[str] = []
    begins: list[str] = []
    displays: list[dict[str, Any]] = []
    for use in build.uses():
        macros = _macros(use)
        if macros is None:
            continue
        view = PartView(use, circuit, core, quiet_serial, shared)
        block = _fill(macros.code, view)
        maker = _fill(macros.make, view)
        if code.setdefault(use.part.id, block) != block:
            raise TemplateFault(
                f"{use.name}: two of part '{use.part.id}' differ in figures that their code shares. "
                "Give both the same own_figures."
            )
        if use.section == "displays":
            displays.append(display_scene(circuit, build.displays[use.name], maker))
        else:
            makers.append(maker)
        begin = getattr(macros, "begin", None)
        if begin is not None:
            begins.append(_fill(begin, view).strip())
    return {
        "part_code": [f"{block}\n" for block in shared] + list(code.values()),
        "makers": makers,
        "begins": begins,
        "displays": displays,
        "machines": sum(map(len, (build.probes, build.hands, build.control, displays))),
    }


def _macros(use: Use) -> Any:
    path = Path(use.part.folder) / "sketch.j2"
    if not path.is_file():
        return None
    template = _environment().from_string(path.read_text(encoding="utf-8"))
    return template.make_module()


def _fill(macro: Callable[[PartView], Any], view: PartView) -> str:
    try:
        return str(macro(view))
    except (KeyError, jinja2.UndefinedError, AttributeError) as error:
        where = Path(view.use.part.folder) / "sketch.j2"
        raise TemplateFault(f"{where}: part '{view.use.part.id}' asks for {error}") from None
