"""Frozen records: dataclasses that cost next to nothing to declare.

``dataclass(frozen=True)`` compiles half a dozen functions for each class. Sixty classes took a fifth of the time of a
whole ``stacker plan``; here they share the functions below. All else is the standard library's: `dataclasses.replace`,
`fields` and `asdict` work as ever.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, FrozenInstanceError, dataclass, field, fields
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

if TYPE_CHECKING:
    from typing_extensions import dataclass_transform
else:

    def dataclass_transform(**_: object) -> Callable[[Any], Any]:
        """For type checkers alone."""
        return lambda function: function


Class = TypeVar("Class", bound=type[Any])


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(field,))
def record(cls: Class) -> Class:
    """Make a frozen, keyword-only record of a class with annotated attributes; equal and hashed by its values."""
    made: Any = dataclass(init=False, repr=False, eq=False, kw_only=True)(cls)
    items = fields(made)
    made.record_names = [item.name for item in items]
    made.record_defaults = {item.name: item.default for item in items if item.default is not MISSING}
    made.record_factories = {item.name: item.default_factory for item in items if item.default_factory is not MISSING}
    for method in (_init, _repr, _eq, _hash, _setattr, _delattr):
        setattr(made, f"_{method.__name__}__", method)
    return cls


def _init(self: Any, **values: Any) -> None:
    made = {name: make() for name, make in self.record_factories.items() if name not in values}
    values = {**self.record_defaults, **made, **values}
    if len(values) != len(self.record_names) or not all(map(values.__contains__, self.record_names)):
        wrong = sorted(set(values) ^ set(self.record_names))
        raise TypeError(f"{type(self).__name__}: missing or unknown: {', '.join(wrong)}")
    self.__dict__.update(values)
    if hasattr(self, "__post_init__"):
        self.__post_init__()


def _repr(self: Any) -> str:
    values = ", ".join(f"{name}={getattr(self, name)!r}" for name in self.record_names)
    return f"{type(self).__qualname__}({values})"


def _values(self: Any) -> tuple[Any, ...]:
    return tuple(getattr(self, name) for name in self.record_names)


def _eq(self: Any, other: object) -> bool:
    return _values(self) == _values(other) if type(self) is type(other) else NotImplemented


def _hash(self: Any) -> int:
    return hash(_values(self))


def _setattr(self: Any, name: str, value: object) -> NoReturn:
    del value
    raise FrozenInstanceError(f"cannot change {name} of {type(self).__name__}")


def _delattr(self: Any, name: str) -> NoReturn:
    raise FrozenInstanceError(f"cannot delete {name} of {type(self).__name__}")
