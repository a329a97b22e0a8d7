"""Kinds of values: what a key takes, how it is read, and what a message says where it is not.

A kind reads a marked node; what it finds wrong is noted with its place, and reading goes on, so that all faults of a
file come together.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from stacker.documents.scalars import read_flag, read_number
from stacker.documents.source import Items, Mapping, Node, Place, Scalar
from stacker.errors import Fault
from stacker.figures import one_line
from stacker.records import record

INVALID: Any = object()


class Kind(Protocol):
    """What a key takes."""

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        """The value, or `INVALID` after at least one fault was reported."""

    def accepts(self) -> str:
        """What to write, as the end of a message."""

    def schema(self) -> dict[str, Any]:
        """The same as JSON Schema."""


@dataclass(kw_only=True, slots=True)
class Reading:
    """What one pass over a document collects.

    ``open_block`` reads the file that stands in place of a block; without it a block must be inline.
    """

    open_block: Callable[[Scalar, str], Mapping] | None = None
    faults: list[Fault] = dataclasses.field(default_factory=list)
    places: dict[str, Place] = dataclasses.field(default_factory=dict)
    defaulted: dict[str, Any] = dataclasses.field(default_factory=dict)

    def fault(self, place: Place, key: str, text: str) -> Any:
        """Note a fault and return `INVALID`."""
        self.faults.append(place.fault(key, text))
        return INVALID


def found(node: Node) -> str:
    """How a message names what stands in the file."""
    if isinstance(node, Mapping):
        return "a block of keys"
    if isinstance(node, Items):
        return f"a list of {len(node.nodes)}"
    if node.is_null:
        return "nothing"
    text = one_line(node.text if len(node.text) <= 40 else node.text[:37] + "...")
    return f"'\"{text}\"'" if node.quoted else f"'{text}'"


def nearest(word: str, words: Sequence[str]) -> str | None:
    """The known word that a misspelt one most resembles, if any does."""
    from difflib import get_close_matches  # slow to import, and only a fault needs it

    close = get_close_matches(word.lower(), words, n=1, cutoff=0.6)
    return close[0] if close else None


@record
class Number:
    """A finite number, perhaps whole, perhaps with a unit and a range."""

    unit: str | None = None
    whole: bool = False
    above: float | None = None
    least: float | None = None
    most: float | None = None

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        if not isinstance(node, Scalar):
            return reading.fault(node.place, key, f"found {found(node)}; write {self.accepts()}")
        value, advice = read_number(node.text, quoted=node.quoted, unit=self.unit, whole=self.whole)
        if value is None:
            return reading.fault(node.place, key, f"found {found(node)}; write {advice or self.accepts()}")
        if (self.whole and value != int(value)) or not self.contains(value):
            return reading.fault(node.place, key, f"found {node.text}; write {self.accepts()}")
        return int(value) if self.whole else value

    def contains(self, value: float) -> bool:
        return (
            math.isfinite(value)
            and (self.above is None or value > self.above)
            and (self.least is None or value >= self.least)
            and (self.most is None or value <= self.most)
        )

    def accepts(self) -> str:
        parts = ["a whole number" if self.whole else "a number"]
        if self.above is not None:
            parts.append(f"above {self.above:g}")
        if self.least is not None:
            parts.append(f"from {self.least:g}" if self.most is not None else f"of at least {self.least:g}")
        if self.most is not None:
            most = f"{self.most:.9g}"  # up to a thousand million without an exponent
            parts.append(f"to {most}" if self.least is not None else f"and up to {most}")
        return " ".join(parts) + (f", in {self.unit}" if self.unit else "")

    def schema(self) -> dict[str, Any]:
        out: dict[str, Any] = {"type": "integer" if self.whole else "number"}
        limits = {"exclusiveMinimum": self.above, "minimum": self.least, "maximum": self.most}
        return out | {word: limit for word, limit in limits.items() if limit is not None}


@record
class Text:
    """A non-empty line of text."""

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        if not isinstance(node, Scalar) or not node.text.strip() or one_line(node.text) != node.text or node.is_null:
            return reading.fault(node.place, key, f"found {found(node)}; write {self.accepts()}")
        return node.text

    def accepts(self) -> str:
        return "one line of text"

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "minLength": 1}


@record
class Anything:
    """A number, a word or nothing: the value of some other key."""

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        if isinstance(node, Items):
            values = [self.read(child, key, reading) for child in node.nodes]
            return INVALID if INVALID in values else tuple(values)
        if not isinstance(node, Scalar):
            return reading.fault(node.place, key, f"found {found(node)}; write {self.accepts()}")
        if node.is_null:
            return None
        number, _ = read_number(node.text, quoted=node.quoted, unit=None)
        flag, _ = read_flag(node.text, quoted=node.quoted)
        return number if number is not None else flag if flag is not None else node.text

    def accepts(self) -> str:
        return "a plain value"

    def schema(self) -> dict[str, Any]:
        return {}


@record
class Flag:
    """True or false."""

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        value, advice = read_flag(node.text, quoted=node.quoted) if isinstance(node, Scalar) else (None, None)
        if value is None:
            return reading.fault(node.place, key, f"found {found(node)}; write {advice or self.accepts()}")
        return value

    def accepts(self) -> str:
        return "true or false"

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


@record
class Choice:
    """One of a few words, or a number where ``number`` says so."""

    words: tuple[str, ...]
    number: Number | None = None

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        if isinstance(node, Scalar) and node.text in self.words:
            return node.text
        if self.number is not None and isinstance(node, Scalar):
            value, _ = read_number(node.text, quoted=node.quoted, unit=None)
            if value is not None and self.number.contains(value):
                return value
        near = nearest(node.text, self.words) if isinstance(node, Scalar) else None
        return reading.fault(node.place, key, f"found {found(node)}; write {near or self.accepts()}")

    def accepts(self) -> str:
        words = list(self.words) + ([self.number.accepts()] if self.number else [])
        return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]

    def schema(self) -> dict[str, Any]:
        words: dict[str, Any] = {"enum": list(self.words)}
        return {"anyOf": [words, self.number.schema()]} if self.number else words


@record
class ListOf:
    """A list of one kind of thing, of a fixed length where ``length`` says so, never longer than ``most``."""

    item: Kind
    length: int | None = None
    most: int = 100

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        if not isinstance(node, Items) or (self.length is not None and len(node.nodes) != self.length):
            return reading.fault(node.place, key, f"found {found(node)}; write {self.accepts()}")
        if len(node.nodes) > self.most:
            return reading.fault(node.place, key, f"found {found(node)}; write at most {self.most}")
        values = [self.item.read(child, f"{key}[{place}]", reading) for place, child in enumerate(node.nodes, start=1)]
        return INVALID if INVALID in values else tuple(values)

    def accepts(self) -> str:
        count = f" of {self.length}" if self.length is not None else ""
        return f"a list{count} in brackets, each {self.item.accepts()}"

    def schema(self) -> dict[str, Any]:
        out: dict[str, Any] = {"type": "array", "items": self.item.schema(), "maxItems": self.length or self.most}
        return out | ({"minItems": self.length} if self.length is not None else {})


@record
class Either:
    """A list of plain values, or a list of blocks: what stands first in it tells which."""

    values: ListOf
    blocks: ListOf

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        of_blocks = isinstance(node, Items) and bool(node.nodes) and isinstance(node.nodes[0], Mapping)
        return (self.blocks if of_blocks else self.values).read(node, key, reading)

    def accepts(self) -> str:
        return f"{self.values.accepts()}; or a list of blocks"

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [self.values.schema(), self.blocks.schema()]}
