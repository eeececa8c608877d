"""Our quick dataclass before the standard one: the same objects, as far as anyone can see."""

from __future__ import annotations

import copy
import dataclasses
import pickle
from functools import cached_property

import pytest

from buildkit import model, records


def made(decorator: object) -> tuple[type, type]:
    @decorator(frozen=True, slots=True)  # type: ignore[operator]
    class Slotted:
        """A page."""

        name: str
        size: int = 3
        notes: dict[str, int] = decorator_field(default_factory=dict)

        @property
        def twice(self) -> int:
            return self.size * 2

        def __str__(self) -> str:
            return f"<{self.name}>"

    @decorator(frozen=True)  # type: ignore[operator]
    class Open:
        one: int

        @cached_property
        def more(self) -> int:
            return self.one + 1

    return Slotted, Open


decorator_field = dataclasses.field
PAIRS = [made(records.dataclass), made(dataclasses.dataclass)]


def both(use: object) -> None:
    """The same result, or the same kind of refusal, from ours and from the standard one."""
    seen = []
    for slotted, opened in PAIRS:
        try:
            seen.append(repr(use(slotted, opened)))  # type: ignore[operator]
        except Exception as error:
            seen.append(type(error).__name__)
    assert seen[0] == seen[1]


@pytest.mark.parametrize("use", [
    lambda s, o: s("a"),
    lambda s, o: s("a", 4, {"x": 1}),
    lambda s, o: s(name="a", size=4),
    lambda s, o: s(),
    lambda s, o: s("a", 1, {}, 5),
    lambda s, o: s("a", colour=1),
    lambda s, o: s("a") == s("a"),
    lambda s, o: s("a") == s("b"),
    lambda s, o: s("a") == o(1),
    lambda s, o: s("a") == "a",
    lambda s, o: hash(o(1)) == hash(o(1)),
    lambda s, o: hash(s("a")),  # a dict in it
    lambda s, o: {o(1), o(1), o(2)} == {o(2), o(1)},
    lambda s, o: setattr(s("a"), "name", "b"),
    lambda s, o: setattr(o(1), "two", 2),
    lambda s, o: delattr(s("a"), "name"),
    lambda s, o: dataclasses.replace(s("a"), size=9),
    lambda s, o: dataclasses.replace(s("a"), colour=9),
    lambda s, o: dataclasses.asdict(s("a")),
    lambda s, o: [f.name for f in dataclasses.fields(s)],
    lambda s, o: dataclasses.is_dataclass(s("a")),
    lambda s, o: s("a").notes is s("b").notes,
    lambda s, o: (s("a").twice, str(s("a")), s.__doc__, s.__match_args__, s.__slots__),
    lambda s, o: (o(4).more, o(4).one),
    lambda s, o: hasattr(s("a"), "__dict__"),
    lambda s, o: copy.deepcopy(s("a", 2, {"x": 1})),
])  # fmt: skip
def test_as_the_standard_one(use: object) -> None:
    both(use)


def test_ours_go_through_pickle() -> None:
    place = model.Place("x.yaml", 3, 4, "a.b")
    assert pickle.loads(pickle.dumps(place)) == place
    assert copy.copy(place) == place


def test_what_is_not_frozen_is_the_standard_one() -> None:
    @records.dataclass(slots=True)
    class Open:
        one: int

    thing = Open(1)
    thing.one = 2
    assert thing == Open(2)
    ordered = records.dataclass(frozen=True, order=True)(
        type("B", (), {"__annotations__": {"a": int}})
    )
    assert ordered(1) < ordered(2)
