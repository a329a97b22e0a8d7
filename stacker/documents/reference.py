"""The tables of fields as a reference: every key and every warning, with its meaning, range and default."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from dataclasses import MISSING
from typing import Any

from stacker.documents.fields import Block, block_schema, rows
from stacker.documents.labels import LABELS
from stacker.documents.plan import COLUMNS, Plan
from stacker.documents.rail_profile import HandRail, RailProfile
from stacker.documents.request import Request
from stacker.documents.values import Either, Kind, ListOf, nearest
from stacker.documents.warnings import WARNINGS
from stacker.documents.words import WORDS
from stacker.records import record

DOCUMENTS: dict[str, tuple[type[Any], ...]] = {
    "request": (Request,),
    "rail": (RailProfile, HandRail),
    "plan": (Plan,),
}
_UNIT = re.compile(r" (?:um|mm|s|gb)\Z")
_SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"


@record
class Entry:
    """What there is to say about one key, column or warning."""

    document: str
    key: str
    meaning: str
    takes: str | None = None
    default: str | None = None
    keys: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """The entry as text."""
        out = [f"{self.key}  ({self.document})", f"  {self.meaning}"]
        if self.takes is not None:
            out.append(f"  takes: {self.takes}")
        if self.default is not None:
            out.append(f"  default: {self.default}")
        if self.keys:
            out.append(f"  keys: {', '.join(self.keys)}")
        return out


def entries() -> Iterator[Entry]:
    """Every key of every document, then the columns of a plan, the warnings, the program's words and its labels."""
    for document, classes in DOCUMENTS.items():
        for cls in classes:
            yield from _of_class(document, cls, "")
    for name, column in COLUMNS.items():
        unit = f" [{column.unit}]" if column.unit else ""
        yield Entry(document="plan, column", key=f"frames.{name}", meaning=column.meaning + unit)
    for code, meaning in WARNINGS.items():
        yield Entry(document="warning", key=code, meaning=meaning)
    for word, meaning in {**WORDS, **LABELS}.items():
        yield Entry(document="word", key=word, meaning=meaning)


def _of_class(document: str, cls: type[Any], prefix: str) -> Iterator[Entry]:
    for name, row, default in rows(cls):
        key = prefix + name
        inner = _block_in(row.kind)
        shown = "none, the key is required" if default is MISSING else _shown(default)
        yield Entry(
            document=document,
            key=key,
            meaning=row.meaning,
            takes=row.kind.accepts(),
            default=None if document.startswith("plan") else shown,  # a plan is written whole, never by hand
            keys=() if inner is None else tuple(dict.fromkeys(_names(inner))),
        )
        if inner is not None and (document != "plan" or name != "request"):
            for word, variant in inner.variants.items():
                chosen = f"with {word}" if "" in inner.variants else word
                label = f"{document}, {chosen}" if inner.chosen_by and word else document
                yield from _of_class(label, variant, f"{key}.")


def _block_in(kind: Kind) -> Block | None:
    if isinstance(kind, ListOf):
        return _block_in(kind.item)
    if isinstance(kind, Either):
        return _block_in(kind.blocks)
    return kind if isinstance(kind, Block) else None


def _names(block: Block) -> Iterator[str]:
    for variant in block.variants.values():
        yield from (name for name, _, _ in rows(variant))


def _shown(default: Any) -> str:
    if default is None:
        return "none"
    if isinstance(default, bool):
        return "true" if default else "false"
    if dataclasses.is_dataclass(default):
        return "the defaults of its keys"
    if isinstance(default, float):
        return f"{default:g}"
    return "[]" if default == () else str(default)


def find(word: str) -> list[Entry]:
    """The entries for a dotted key, its last words, a warning code, a word or a label; the exact ones first.

    A label may be typed with the unit that a table's head gives it, as 'detail um'.
    """
    word = word.lower().strip(" :")
    known = [entry for entry in dict.fromkeys(entries()) if f".{entry.key.lower()}".endswith(f".{word}")]
    bare = _UNIT.sub("", word)
    if not known and bare != word:
        return find(bare)
    return sorted(known, key=lambda entry: entry.key.lower() != word)


def nearest_key(word: str) -> str | None:
    """The key that a misspelt one resembles most."""
    keys = {entry.key for entry in entries()}
    return nearest(word, sorted(keys | {key.rpartition(".")[2] for key in keys}))


def schema(document: str) -> dict[str, Any]:
    """JSON Schema (2020-12) of a request, rail or plan file."""
    blocks = [block_schema(cls) for cls in DOCUMENTS[document]]
    body: dict[str, Any] = blocks[0] if len(blocks) == 1 else {"anyOf": blocks}
    if document == "plan":
        table = {
            "type": "object",
            "properties": {"columns": {"const": list(COLUMNS)}, "rows": {"type": "array", "items": {"type": "array"}}},
            "required": ["columns", "rows"],
        }
        body["properties"]["frames"] = table
        body["required"].append("frames")
    return {"$schema": _SCHEMA_DIALECT, "title": f"stacker {document}", **body}
