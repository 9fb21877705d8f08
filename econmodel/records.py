"""Records: classes of named, typed fields that never change. A frozen dataclass in all but its cost at each start.

A frozen dataclass compiles six methods of its own when it is made, a record compiles ``__init__`` and shares the others:
a quarter of the time, and the package has more than a hundred to make before it can answer. Type checkers hold a record to be
frozen, and :mod:`dataclasses` (``replace``, ``asdict``, ``fields``) takes it as one of its own.
"""

from __future__ import annotations

from dataclasses import FrozenInstanceError, dataclass, field, fields
from operator import attrgetter
from typing import Any, TypeVar, dataclass_transform

Class = TypeVar("Class", bound=type)


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def record(cls: Class) -> Class:
    """Make a class a record.

    Examples
    --------
    >>> @record
    ... class Stay:
    ...     days: float
    ...     ward: str = "ward"
    >>> Stay(3.0), Stay(3.0) == Stay(3.0), len({Stay(3.0), Stay(3.0)})
    (Stay(days=3.0, ward='ward'), True, 1)
    >>> Stay(3.0).days = 4.0
    Traceback (most recent call last):
    dataclasses.FrozenInstanceError: cannot assign to field 'days'
    """
    made: Any = dataclass(eq=False, repr=False)(cls)
    made.__compared__ = attrgetter("__class__", *(f.name for f in fields(made) if f.compare))
    for name, method in SHARED.items():
        if name not in cls.__dict__:
            setattr(cls, name, method)
    return cls


def _set(self: Any, name: str, value: Any) -> None:
    if name in self.__dict__:
        what = f"cannot assign to field {name!r}"
        raise FrozenInstanceError(what)
    self.__dict__[name] = value


def _delete(self: Any, name: str) -> None:
    what = f"cannot delete field {name!r}"
    raise FrozenInstanceError(what)


def _equal(self: Any, other: Any) -> Any:
    if other.__class__ is not self.__class__:
        return NotImplemented
    return self.__compared__(self) == self.__compared__(other)


def _hash(self: Any) -> int:
    return hash(self.__compared__(self))


def _text(self: Any) -> str:
    shown = ", ".join(f"{f.name}={getattr(self, f.name)!r}" for f in fields(self) if f.repr)
    return f"{self.__class__.__qualname__}({shown})"


SHARED = {"__setattr__": _set, "__delattr__": _delete, "__eq__": _equal, "__hash__": _hash, "__repr__": _text}
