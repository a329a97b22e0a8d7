"""The table of fields: every key of a document, with its kind, default and meaning.

A document is a frozen dataclass whose attributes are declared here. Reading, messages, ``stacker explain``,
``stacker schema`` and the reference in the notes all come from these declarations.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from collections.abc import Mapping as MappingType
from dataclasses import MISSING
from typing import Any

from stacker.documents.scalars import read_number, shown
from stacker.documents.source import Mapping, Node, Scalar
from stacker.documents.units import in_unit
from stacker.documents.values import INVALID, Choice, Kind, ListOf, Reading, found, nearest
from stacker.errors import TOLD, InputError
from stacker.records import record


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


@record
class Field:
    """One row of the table of fields."""

    kind: Kind
    meaning: str
    optional: bool = False
    assumed: bool = False
    left_out: bool = False


def declare(
    kind: Kind,
    meaning: str,
    *,
    default: Any = MISSING,
    optional: bool = False,
    assumed: bool = False,
    left_out: bool = False,
) -> Any:
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
    left_out : bool
        Whether a plan leaves the key out where it has its default: plans that do without it stay as they were.
    """
    row = Field(kind=kind, meaning=meaning, optional=optional or default is None, assumed=assumed, left_out=left_out)
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


def read_block(cls: type[Any], node: Mapping, key: str, reading: Reading, **ready: Any) -> Any:
    """Read a mapping as one document class; `INVALID` after faults.

    ``ready`` holds attributes that stand elsewhere and are read already. A class may have a method ``conflicts()``
    that yields ``(key, text)`` for values which do not go together, a method ``idle()`` that yields the keys which mean
    nothing beside the others, and a dict ``RENAMED`` with what to write instead of keys that it once had.
    """
    before = len(reading.faults)
    prefix = f"{key}." if key else ""
    table = {name: (row, default) for name, row, default in rows(cls)}
    reading.places[key] = node.place
    kinds, renamed = {name: row.kind for name, (row, _) in table.items()}, getattr(cls, "RENAMED", {})
    misspelt = _unknown_keys(node, prefix, kinds, reading, renamed)
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
    for name in value.idle() if hasattr(value, "idle") else ():
        reading.defaulted.pop(prefix + name, None)
    for name, text in value.conflicts() if hasattr(value, "conflicts") else ():
        reading.fault(reading.places.get(prefix + name, node.place), prefix + name, text)
    return INVALID if len(reading.faults) > before else value


def _unknown_keys(
    node: Mapping, prefix: str, known: dict[str, Kind], reading: Reading, renamed: MappingType[str, str]
) -> set[str]:
    """Tell the keys that are not in the table; returns the ones that were meant."""
    meant: set[str] = set()
    before, unknown = "", 0
    for name, place in node.keys.items():
        cut = node.nodes.get(before)  # in braces a decimal comma ends the value: {depth_mm: 3,4}
        if name.isdigit() and isinstance(cut, Scalar) and cut.text.lstrip("-").isdigit():
            reading.fault(cut.place, prefix + before, f"found '{cut.text},{name}'; write {cut.text}.{name}")
        elif name not in known:
            unknown += 1
            if unknown > TOLD:  # each costs a comparison with all that are known
                continue
            near = nearest(name, list(known))
            advice = _list_of(known)
            if name in renamed:
                advice = renamed[name]
            elif home := next((key for key, kind in known.items() if name in keys_of(kind)), None):
                advice = f"it belongs to {home}: write {prefix}{home}.{name}"
            elif near:
                advice = f"write {near}{_other_unit(name, near, known[near], node.nodes[name])}"
                meant.add(near)
            reading.fault(place, prefix + name, f"unknown key; {advice}")
        before = name
    if unknown > TOLD:
        reading.fault(node.place, prefix.rstrip("."), f"{unknown} unknown keys in all; is this a file for stacker?")
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
        return {
            name: plain(own)
            for name, row, default in rows(type(value))
            if (own := getattr(value, name)) != default or not row.left_out
        }
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
