"""``dataclass``, five times as quick to make.

The standard decorator compiles six functions a class, which for our seventy
classes is half the time of a check.  This compiles one, ``__init__``; the rest
is shared.  It takes the frozen classes and hands every other to the standard
one; ``dataclasses.replace`` and ``fields`` work on its classes, and a type
checker sees the standard decorator.  ``tests/test_records.py`` compares both.
"""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable
from dataclasses import MISSING, FrozenInstanceError, field
from operator import attrgetter
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass", "field"]

if TYPE_CHECKING:
    from dataclasses import dataclass
else:

    def dataclass(*, frozen: bool = False, slots: bool = False, **more: bool) -> Any:
        """The class decorator: the standard one's arguments."""
        if not frozen or more:
            return dataclasses.dataclass(frozen=frozen, slots=slots, **more)
        return lambda cls: _made(cls, slots)


def _made(cls: type, slots: bool) -> type:
    fields = {name: _field(cls, name) for name in inspect.get_annotations(cls)}
    body = {**_shared(tuple(fields)), **cls.__dict__}
    for name, one in fields.items():
        body.pop(name, None)
        if one.default is not MISSING and not slots:
            body[name] = one.default
    for name in ("__dict__", "__weakref__"):
        body.pop(name, None)
    if slots:
        body["__slots__"] = tuple(fields)
    body.update(
        __dataclass_fields__=fields,
        __match_args__=tuple(fields),
        __init__=_init(fields),
        __setattr__=_refuse,
        __delattr__=_refuse,
    )
    made = type(cls)(cls.__name__, cls.__bases__, body)
    made.__qualname__ = cls.__qualname__
    return made


def _field(cls: type, name: str) -> Any:
    given = cls.__dict__.get(name, MISSING)
    made: Any = given if isinstance(given, dataclasses.Field) else dataclasses.field(default=given)
    made.name, made.type = name, cls.__annotations__[name]
    made._field_type = dataclasses._FIELD  # type: ignore[attr-defined]
    return made


def _init(fields: dict[str, Any]) -> Any:
    words, lines = [], []
    for name, one in fields.items():
        fresh = one.default_factory is not MISSING
        words.append(name if one.default is MISSING and not fresh else f"{name}=_d[{name!r}]")
        value = f"_f[{name!r}]() if {name} is _d[{name!r}] else {name}" if fresh else name
        lines.append(f" _set(self, {name!r}, {value})")
    space: dict[str, Any] = {
        "_set": object.__setattr__,
        "_f": {name: one.default_factory for name, one in fields.items()},
        "_d": {name: one.default for name, one in fields.items()},
    }
    body = "\n".join(lines) or " pass"
    exec(f"def __init__(self, {', '.join(words)}):\n{body}", space)
    return space["__init__"]


def _refuse(self: Any, name: str, *_: Any) -> None:
    raise FrozenInstanceError(f"cannot change field {name!r}")


def _shared(names: tuple[str, ...]) -> dict[str, Callable[..., Any]]:
    values: Callable[[Any], Any] = attrgetter(*names, "__class__")  # a tuple for one name too

    def equal(self: Any, other: Any) -> Any:
        return (
            values(self) == values(other) if other.__class__ is self.__class__ else NotImplemented
        )

    def shown(self: Any) -> str:
        said = ", ".join(
            f"{name}={value!r}" for name, value in zip(names, values(self), strict=False)
        )
        return f"{self.__class__.__qualname__}({said})"

    def reduced(self: Any) -> Any:
        return (self.__class__, values(self)[:-1])

    return {
        "__eq__": equal,
        "__hash__": lambda self: hash(values(self)),
        "__repr__": shown,
        "__reduce__": reduced,
    }
