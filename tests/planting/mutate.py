"""Mutation test of the rules and formulas: one small change at a time, in memory, in a forked process.

``python -m tests.planting.mutate [MODULE...] [--sample N] [--seed S] [--log FILE]``

Each mutant is put into the loaded module of a child process, which runs the
quick tests of its family until one fails.  A survivor is a change that no
test noticed.  Texts are left alone, and so are annotations and decorators.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import json
import os
import random
import signal
import sys
import types
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from _pytest.runner import runtestprotocol

from buildkit import rules
from buildkit.tables import Tables

ROOT = Path(__file__).parents[2]
MOST_S = 60  # longer, and the mutant runs for ever: killed
_SWAPS: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,), ast.NotIn: (ast.In,), ast.And: (ast.Or,), ast.Or: (ast.And,),
    ast.Add: (ast.Sub,), ast.Sub: (ast.Add,), ast.Mult: (ast.Div,), ast.Div: (ast.Mult,),
    ast.Pow: (ast.Mult,), ast.FloorDiv: (ast.Div,), ast.Mod: (ast.Mult,),
    ast.BitAnd: (ast.BitOr,), ast.BitOr: (ast.BitAnd,), ast.USub: (ast.UAdd,),
}  # fmt: skip
Change = tuple[str, Callable[[], ast.AST]]


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the module, the number of the node in it, which change of that node, and words."""

    module: str
    node: int
    way: int
    line: int
    words: str

    @property
    def name(self) -> str:
        return f"{self.module}:{self.line} {self.words} [{self.node}.{self.way}]"


def source_of(module: str) -> str:
    """The text of a module."""
    return (ROOT / (module.replace(".", "/") + ".py")).read_text(encoding="utf-8")


def mutants(module: str) -> list[Mutant]:
    """Every mutant of a module."""
    return [
        Mutant(module, number, way, getattr(node, "lineno", 0), words)
        for number, node in _nodes(ast.parse(source_of(module)))
        for way, (words, _) in enumerate(_changes(node))
    ]


def _nodes(tree: ast.AST) -> list[tuple[int, ast.AST]]:
    """Numbered nodes that may change: none within texts, annotations or decorators."""
    left_out: set[int] = set()
    for node in ast.walk(tree):
        barred: list[ast.AST | None] = []
        if isinstance(node, ast.FunctionDef):
            barred += [*node.decorator_list, node.returns, node.args]
        elif isinstance(node, ast.ClassDef):
            barred += [*node.decorator_list]
        elif isinstance(node, ast.AnnAssign):
            barred.append(node.annotation)
        elif isinstance(node, ast.JoinedStr):
            barred.append(node)
        left_out |= {id(inner) for each in barred if each is not None for inner in ast.walk(each)}
    return [(n, node) for n, node in enumerate(ast.walk(tree)) if id(node) not in left_out]


def _changes(node: ast.AST) -> list[Change]:
    return [*_operators(node), *_constants(node), *_statements(node)]


def _set(node: ast.AST, field: str, value: Any) -> Callable[[], ast.AST]:
    def change() -> ast.AST:
        setattr(node, field, value)
        return node

    return change


def _operators(node: ast.AST) -> Iterator[Change]:
    if isinstance(node, ast.Compare) and len(node.ops) >= 1:
        for number, op in enumerate(node.ops):
            for other in _SWAPS.get(type(op), ()):
                ops = [*node.ops[:number], other(), *node.ops[number + 1 :]]
                yield f"{type(op).__name__} to {other.__name__}", _set(node, "ops", ops)
    elif isinstance(node, ast.BoolOp | ast.UnaryOp) or (
        isinstance(node, ast.BinOp) and not _of_text(node)
    ):
        for other in _SWAPS.get(type(node.op), ()):
            yield f"{type(node.op).__name__} to {other.__name__}", _set(node, "op", other())
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "not removed", lambda: node.operand
    if isinstance(node, ast.IfExp) and not (_is_text(node.body) or _is_text(node.orelse)):
        yield "if-else turned", _set(node, "test", ast.UnaryOp(ast.Not(), node.test))


def _of_text(node: ast.BinOp) -> bool:
    return _is_text(node.left) or _is_text(node.right)


def _is_text(node: ast.AST) -> bool:
    text = isinstance(node, ast.Constant) and isinstance(node.value, str)
    return text or isinstance(node, ast.JoinedStr)


def _constants(node: ast.AST) -> Iterator[Change]:
    value = node.value if isinstance(node, ast.Constant) else None
    if isinstance(value, bool):
        yield f"{value} turned", _set(node, "value", not value)
    elif isinstance(value, int | float):
        yield f"{value} +1", _set(node, "value", value + 1)
        if value not in (0, 1):
            yield f"{value} x2", _set(node, "value", value * 2)


def _statements(node: ast.AST) -> Iterator[Change]:
    if isinstance(node, ast.Return) and node.value is not None:
        if not (isinstance(node.value, ast.Constant) and node.value.value is None) and not _is_text(
            node.value
        ):
            yield "return None", _set(node, "value", ast.Constant(None))
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Yield | ast.YieldFrom):
        # It stays a generator, and yields nothing.
        never = ast.BoolOp(ast.And(), [ast.Constant(False), ast.Yield()])
        yield "yield removed", _set(node, "value", never)
    elif isinstance(node, ast.Continue):
        yield "continue to break", ast.Break
    elif isinstance(node, ast.If | ast.While):
        yield "test turned", _set(node, "test", ast.UnaryOp(ast.Not(), node.test))


class _Put(ast.NodeTransformer):
    """Puts the changed node in the place of the old one."""

    def __init__(self, old: ast.AST, change: Callable[[], ast.AST]) -> None:
        self.old, self.change = old, change

    def visit(self, node: ast.AST) -> Any:
        return self.change() if node is self.old else super().visit(node)


def changed_code(mutant: Mutant) -> types.CodeType:
    """The module with the change, compiled."""
    tree = ast.parse(source_of(mutant.module))
    node = dict(_nodes(tree))[mutant.node]
    _, change = _changes(node)[mutant.way]
    changed = ast.fix_missing_locations(_Put(node, change).visit(tree))
    return compile(changed, f"<mutant of {mutant.module}>", "exec")


def put_in(mutant: Mutant) -> None:
    """The change into the loaded module, and into everything that others took from it."""
    module = importlib.import_module(mutant.module)
    before = dict(vars(module))
    registry = rules._registry
    for name in [n for n, r in registry.items() if r.check and r.check.__module__ == mutant.module]:
        del registry[name]
    if mutant.module != "buildkit.rules.doc":
        exec(changed_code(mutant), vars(module))
    rules.catalogue.cache_clear()
    for name, old in before.items():
        new = vars(module).get(name)
        if name.startswith("__") or new is old:
            continue
        if isinstance(old, types.FunctionType) and isinstance(new, types.FunctionType):
            _take_over(old, new, mutant.module)
        for other in [m for n, m in sys.modules.items() if n.startswith("buildkit")]:
            if other is not module and vars(other).get(name) is old:
                setattr(other, name, new)


def _take_over(old: types.FunctionType, new: types.FunctionType, module: str) -> None:
    """The new function's code into the old one, which other modules may hold."""
    if old.__module__ == module and not old.__closure__ and not new.__closure__:
        old.__code__, old.__defaults__ = new.__code__, new.__defaults__


# --- the run ---


class Runner:
    """A pytest plugin: collects once, then forks for each mutant."""

    def __init__(self, chosen: Sequence[Mutant], log: Path | None) -> None:
        self.chosen, self.log = chosen, log
        self.done: dict[str, bool] = {}
        if log is not None and log.exists():
            for line in log.read_text(encoding="utf-8").splitlines():
                entry = json.loads(line)
                self.done[entry["mutant"]] = entry["killed"]

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        items = session.items
        for family in sorted({_family(m.module) for m in self.chosen}):
            if self._child(None, _of_family(items, family)):
                raise pytest.UsageError(f"the tests of {family} fail without any mutant")
        for mutant in self.chosen:
            if mutant.name in self.done:
                continue
            killed = self._child(mutant, _of_family(items, _family(mutant.module)))
            self.done[mutant.name] = killed
            print("." if killed else f"\nsurvived: {mutant.name}", end="", flush=True)
            if self.log is not None:
                with self.log.open("a", encoding="utf-8") as stream:
                    stream.write(json.dumps({"mutant": mutant.name, "killed": killed}) + "\n")
        print()
        return True

    def _child(self, mutant: Mutant | None, items: list[pytest.Item]) -> bool:
        """Whether a test failed in a child process that has the mutant."""
        child = os.fork()
        if child == 0:
            _run_and_leave(mutant, items)
        _, status = os.waitpid(child, 0)
        return status != 0


def _run_and_leave(mutant: Mutant | None, items: list[pytest.Item]) -> None:
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.alarm(MOST_S if mutant else 10 * MOST_S)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    status = 1
    try:
        if mutant is not None:
            os.dup2(nowhere, 1)
            os.dup2(nowhere, 2)
            put_in(mutant)
        status = 0
        for item in items:
            failed = [r for r in runtestprotocol(item, nextitem=None, log=False) if r.failed]
            if failed:
                if mutant is None:
                    print(f"\n{failed[0].longreprtext}", file=sys.__stderr__)
                status = 1
                break
    finally:
        os._exit(status)


def _family(module: str) -> str:
    """The family whose tests speak of a module."""
    family = module.rsplit(".", 1)[-1].split("_", maxsplit=1)[0]
    return {"claims": "pin"}.get(family, family)


def _of_family(items: Sequence[pytest.Item], family: str) -> list[pytest.Item]:
    """The tests of a family, its own first, then the faulty examples, then planted faults."""
    ranks: list[tuple[int, int, pytest.Item]] = []
    for number, item in enumerate(items):
        file = item.path.name
        if file.startswith(f"test_{family}"):  # test_load.py, test_load_edges.py
            ranks.append((0, number, item))
        elif file == "test_faulty.py" and family != "electrics":
            ranks.append((1 if f"[{family}." in item.name else 2, number, item))
        elif file == "test_planting.py" and f"[{family}." in item.name:
            ranks.append((5 if "none-left" in item.name else 3, number, item))
        elif family == "electrics" and file == "test_between.py":
            ranks.append((1, number, item))
    return [item for _, _, item in sorted(ranks, key=lambda rank: rank[:2])]


def modules() -> list[str]:
    """The modules under test."""
    folder = ROOT / "buildkit" / "rules"
    found = [f"buildkit.rules.{p.stem}" for p in sorted(folder.glob("*.py"))]
    return [
        "buildkit.electrics",
        "buildkit.claims",
        *(name for name in found if not name.endswith(("__init__", ".doc"))),
    ]


def main() -> int:
    """Mutants, their fate, and the rate."""
    parser = argparse.ArgumentParser(prog="python -m tests.planting.mutate", description=__doc__)
    parser.add_argument("modules", nargs="*", help="such as buildkit.electrics; all when left out")
    parser.add_argument("--sample", type=int, default=0, help="so many at random, not all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--log", type=Path, help="a file of results, to go on from")
    given = parser.parse_args()
    chosen = [m for name in given.modules or modules() for m in mutants(name)]
    in_all = len(chosen)
    if given.sample:
        chosen = random.Random(given.seed).sample(chosen, min(given.sample, in_all))
        chosen.sort(key=lambda m: (m.module, m.line, m.node, m.way))
    _warm()
    runner = Runner(chosen, given.log)
    files = [
        "tests/rules",
        "tests/planting/test_planting.py",
        "tests/test_electrics.py",
        "tests/test_between.py",
    ]
    pytest.main(["-q", "-n0", "-m", "not slow", "-p", "no:cacheprovider", *files], plugins=[runner])
    killed = [m for m in chosen if runner.done.get(m.name)]
    for mutant in chosen:
        if not runner.done.get(mutant.name):
            print(
                f"survived: {mutant.name}: {source_of(mutant.module).splitlines()[mutant.line - 1].strip()}"
            )
    print(
        f"{len(killed)} of {len(chosen)} mutants killed ({100 * len(killed) / max(1, len(chosen)):.1f} %), {in_all} in all"
    )
    return 0


def _warm() -> None:
    """What every child would load anew."""
    tables = Tables()
    for board in tables.board_ids():
        tables.board(board)
    for part in tables.part_ids():
        tables.part(part)
    importlib.import_module("tests.planting.beds").beds()


if __name__ == "__main__":
    sys.exit(main())
