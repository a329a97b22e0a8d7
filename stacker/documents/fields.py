"""The table of fields: what a key takes, its unit, range, default and meaning.

A document is a frozen dataclass whose attributes are declared with the functions at the end of this module. Reading,
messages, ``stacker explain``, ``stacker schema`` and the reference in the notes all come from these declarations.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Iterator
from collections.abc import Mapping as MappingType
from dataclasses import MISSING, dataclass
from typing import Any, Protocol

from stacker.documents.scalars import read_flag, read_number, shown
from stacker.documents.source import Items, Mapping, Node, Place, Scalar
from stacker.documents.units import in_unit
from stacker.errors import Fault, InputError
from stacker.records import record

INVALID: Any = object()
_CONTROLS = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]")  # line ends, and what would command a terminal


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
    text = node.text if len(node.text) <= 40 else node.text[:37] + "..."
    text = "".join(sign if sign.isprintable() else "?" for sign in text)
    return f"'\"{text}\"'" if node.quoted else f"'{text}'"


# ---------------------------------------------------------------------------------------------------------- kinds


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
        if not isinstance(node, Scalar) or not node.text.strip() or _CONTROLS.search(node.text) or node.is_null:
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
    """A list of one kind of thing, of a fixed length where ``length`` says so."""

    item: Kind
    length: int | None = None

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        if not isinstance(node, Items) or (self.length is not None and len(node.nodes) != self.length):
            return reading.fault(node.place, key, f"found {found(node)}; write {self.accepts()}")
        values = [self.item.read(child, f"{key}[{place}]", reading) for place, child in enumerate(node.nodes, start=1)]
        return INVALID if INVALID in values else tuple(values)

    def accepts(self) -> str:
        count = f" of {self.length}" if self.length is not None else ""
        return f"a list{count} in brackets, each {self.item.accepts()}"

    def schema(self) -> dict[str, Any]:
        out: dict[str, Any] = {"type": "array", "items": self.item.schema()}
        return out | ({"minItems": self.length, "maxItems": self.length} if self.length is not None else {})


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


@record
class Block:
    """A block of keys: one document class, or several of which a key (or the presence of one) chooses."""

    variants: MappingType[str, type[Any]]
    chosen_by: str | None = None

    def choose(self, node: Mapping, key: str, reading: Reading) -> type[Any] | None:
        """The class that reads this block; ``None`` after a fault."""
        if len(self.variants) == 1 or self.chosen_by is None:
            return next(iter(self.variants.values()))
        if "" in self.variants:  # chosen by presence
            return self.variants[self.chosen_by if self.chosen_by in node.nodes else ""]
        dotted = f"{key}.{self.chosen_by}" if key else self.chosen_by
        if self.chosen_by not in node.nodes:
            reading.fault(node.place, dotted, f"missing; write {Choice(words=tuple(self.variants)).accepts()}")
            return None
        word = Choice(words=tuple(self.variants)).read(node.nodes[self.chosen_by], dotted, reading)
        return None if word is INVALID else self.variants[word]

    def read(self, node: Node, key: str, reading: Reading) -> Any:
        if isinstance(node, Scalar) and not node.is_null and reading.open_block is not None:
            try:
                node = reading.open_block(node, key)
            except InputError as error:
                reading.faults.extend(error.faults)
                return INVALID
        if not isinstance(node, Mapping):
            return reading.fault(node.place, key, f"found {found(node)}; write {self.accepts()}")
        chosen = self.choose(node, key, reading)
        return INVALID if chosen is None else read_block(chosen, node, key, reading)

    def accepts(self) -> str:
        return "a block of keys, or the path of a file that holds one"

    def schema(self) -> dict[str, Any]:
        blocks = [block_schema(cls) for cls in self.variants.values()]
        path = {"type": "string", "description": "path of a file that holds the block"}
        return {"anyOf": [*blocks, path]}


# --------------------------------------------------------------------------------------------------------- fields


@record
class Field:
    """One row of the table of fields."""

    kind: Kind
    meaning: str
    optional: bool = False
    assumed: bool = False


def declare(kind: Kind, meaning: str, *, default: Any = MISSING, optional: bool = False, assumed: bool = False) -> Any:
    """Declare an attribute of a document.

    Parameters
    ----------
    kind : Kind
        What the key takes.
    meaning : str
        One or two sentences for ``stacker explain`` and the reference.
    default : object
        What a missing key means; without it the key is required.
    optional : bool
        Whether ``null`` is a value.
    assumed : bool
        Whether a default that was taken is a guess about the real bench, so that the plan must list it.
    """
    row = Field(kind=kind, meaning=meaning, optional=optional or default is None, assumed=assumed)
    return dataclasses.field(default=default, metadata={"field": row})


def rows(cls: type[Any]) -> Iterator[tuple[str, Field, Any]]:
    """Name, row and default (`MISSING` where there is none) of every key of a document class."""
    for attribute in dataclasses.fields(cls):
        if "field" in attribute.metadata:
            yield attribute.name, attribute.metadata["field"], attribute.default


def keys_of(kind: Kind) -> set[str]:
    """The keys of a block, of all its variants; none of any other kind."""
    variants = kind.variants.values() if isinstance(kind, Block) else ()
    return {name for cls in variants for name, _, _ in rows(cls)}


def nearest(word: str, words: tuple[str, ...] | list[str]) -> str | None:
    """The known word that a misspelt one most resembles, if any does."""
    from difflib import get_close_matches  # slow to import, and only a fault needs it

    close = get_close_matches(word.lower(), words, n=1, cutoff=0.6)
    return close[0] if close else None


def read_block(cls: type[Any], node: Mapping, key: str, reading: Reading, **ready: Any) -> Any:
    """Read a mapping as one document class; `INVALID` after faults.

    ``ready`` holds attributes that stand elsewhere and are read already. A class may have a method ``conflicts()``
    that yields ``(key, text)`` for values which do not go together.
    """
    before = len(reading.faults)
    prefix = f"{key}." if key else ""
    table = {name: (row, default) for name, row, default in rows(cls)}
    reading.places[key] = node.place
    misspelt = _unknown_keys(node, prefix, {name: row.kind for name, (row, _) in table.items()}, reading)
    values: dict[str, Any] = dict(ready)
    for name, (row, default) in table.items():
        dotted = prefix + name
        child = node.nodes.get(name)
        if child is None:
            if default is MISSING and name in misspelt:
                continue
            if default is MISSING:
                reading.fault(node.place, dotted, f"missing; write {row.kind.accepts()} ({row.meaning})")
                continue
            values[name] = default
            if row.assumed:
                reading.defaulted[dotted] = default
            continue
        reading.places[dotted] = child.place
        if row.optional and isinstance(child, Scalar) and child.is_null:
            values[name] = None
        else:
            values[name] = row.kind.read(child, dotted, reading)
    if len(reading.faults) > before:
        return INVALID
    value = cls(**values)
    for name, text in value.conflicts() if hasattr(value, "conflicts") else ():
        reading.fault(reading.places.get(prefix + name, node.place), prefix + name, text)
    return INVALID if len(reading.faults) > before else value


def _unknown_keys(node: Mapping, prefix: str, known: dict[str, Kind], reading: Reading) -> set[str]:
    """Tell the keys that are not in the table; returns the ones that were meant."""
    meant: set[str] = set()
    before = ""
    for name, place in node.keys.items():
        cut = node.nodes.get(before)  # in braces a decimal comma ends the value: {depth_mm: 3,4}
        if name.isdigit() and isinstance(cut, Scalar) and cut.text.lstrip("-").isdigit():
            reading.fault(cut.place, prefix + before, f"found '{cut.text},{name}'; write {cut.text}.{name}")
        elif name not in known:
            near = nearest(name, list(known))
            advice = _list_of(known)
            if home := next((key for key, kind in known.items() if name in keys_of(kind)), None):
                advice = f"it belongs to {home}: write {prefix}{home}.{name}"
            elif near:
                advice = f"write {near}{_other_unit(name, near, known[near], node.nodes[name])}"
                meant.add(near)
            reading.fault(place, prefix + name, f"unknown key; {advice}")
        before = name
    return meant


def _other_unit(name: str, near: str, kind: Kind, node: Node) -> str:
    """The value in the unit of the key that was meant, where the one that was written ends in another one."""
    unit = getattr(kind.item if isinstance(kind, ListOf) else kind, "unit", None)
    suffix = name.rpartition("_")[2]
    if not unit or suffix == near.rpartition("_")[2]:
        return ""
    value, _ = read_number(node.text, quoted=node.quoted, unit=None) if isinstance(node, Scalar) else (None, None)
    converted = None if value is None else in_unit(value, suffix, unit)
    return f", in {unit}" if converted is None else f": {shown(converted)}"


def _list_of(known: MappingType[str, object]) -> str:
    return "known here: " + ", ".join(known)


def plain(value: Any) -> Any:
    """A document as nested dicts, lists and numbers, every key in the order of the table."""
    if dataclasses.is_dataclass(value):
        return {name: plain(getattr(value, name)) for name, _, _ in rows(type(value))}
    if isinstance(value, tuple):
        return [plain(item) for item in value]
    return value


def block_schema(cls: type[Any]) -> dict[str, Any]:
    """A document class as JSON Schema."""
    properties: dict[str, Any] = {}
    required: list[str] = []
    for name, row, default in rows(cls):
        body = row.kind.schema()
        if row.optional:
            body = {"anyOf": [body, {"type": "null"}]}
        body["description"] = row.meaning
        if default is MISSING:
            required.append(name)
        elif default is not None:
            body["default"] = plain(default)
        properties[name] = body
    return {
        "type": "object",
        "description": (cls.__doc__ or "").split("\n")[0],
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }
