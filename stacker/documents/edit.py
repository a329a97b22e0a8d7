"""Changing single values of a person's file, every comment and every other character kept."""

from __future__ import annotations

from collections.abc import Mapping as MappingType
from typing import Any

from stacker.documents import emit
from stacker.documents.source import Mapping, Node, Scalar, parse
from stacker.errors import Refusal


def with_values(text: str, values: MappingType[str, Any], path: str) -> str:
    """The same text with some values changed or added.

    Parameters
    ----------
    text : str
        A YAML file.
    values : mapping of str to object
        New value by dotted key; a block that is not there yet is added at the file's end.
    path : str
        What messages call the file.

    Raises
    ------
    Refusal
        If a block is missing or stands in a file of its own.
    InputError
        If the text is no YAML.
    """
    for key, value in values.items():
        text = _with_value(text, key, emit.flow(value), path)
    return text


def _with_value(text: str, key: str, value: str, path: str) -> str:
    node: Node = parse(text, path)
    words = key.split(".")
    if len(words) == 2 and isinstance(node, Mapping) and words[0] not in node.nodes:
        return _with_new_key(text, node, words[0], f"{{{words[1]}: {value}}}", path)
    for depth, word in enumerate(words[:-1], start=1):
        node = _child(node, word, ".".join(words[:depth]), path)
    if not isinstance(node, Mapping):
        raise _not_inline(".".join(words[:-1]), path)
    old = node.nodes.get(words[-1])
    if old is None:
        return _with_new_key(text, node, words[-1], value, path)
    start, end = old.place.start, old.place.end
    if start == end:  # 'key:' with nothing behind it
        value = f" {value}"
    elif not isinstance(old, Scalar) and text[start] not in "[{":
        raise Refusal(f"{path}: {key} is a block over several lines; change it by hand", key=key)
    return text[:start] + value + text[end:]


def _child(node: Node, word: str, key: str, path: str) -> Node:
    if not isinstance(node, Mapping) or word not in node.nodes:
        raise Refusal(f"{path}: there is no block {key} in this file; write it first", key=key)
    return node.nodes[word]


def _not_inline(key: str, path: str) -> Refusal:
    return Refusal(f"{path}: the block {key} stands in a file of its own; name that file instead", key=key)


def _last_leaf(node: Node, text: str) -> Node:
    """The last value of a block that ends where its own text ends; a block ends only where the next one begins."""
    children = list(node.nodes.values()) if isinstance(node, Mapping) else getattr(node, "nodes", ())
    if not children or text[node.place.start] in "[{":
        return node
    return _last_leaf(children[-1], text)


def _with_new_key(text: str, block: Mapping, word: str, value: str, path: str) -> str:
    """Add a line under the block's last key, or a pair before its closing brace."""
    if text[block.place.start : block.place.start + 1] == "{":
        at = block.place.end - 1
        return text[:at].rstrip() + (", " if block.nodes else "") + f"{word}: {value}" + text[at:]
    if not block.keys:
        raise _not_inline(word, path)
    first = next(iter(block.keys.values()))
    last = _last_leaf(block, text).place
    newline = text.find("\n", max(last.end - 1, last.start))
    if newline < 0:
        text, newline = text + "\n", len(text)
    margin = " " * (first.column - 1)
    return f"{text[: newline + 1]}{margin}{word}: {value}\n{text[newline + 1 :]}"
