"""Writing plain values as YAML: always the same bytes for the same values, with or without libyaml."""

from __future__ import annotations

import re
from typing import Any

# Words that YAML 1.1 or 1.2 would read as something other than text.
_NOT_TEXT = frozenset({"true", "false", "yes", "no", "on", "off", "null", "y", "n", "nan", "inf"})
_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_./()+-]*(?: [A-Za-z0-9_./()+-]+)*")


def scalar(value: Any) -> str:
    """One value as YAML: null, true, a number, or text in quotes where it needs them."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return number(value)
    text = str(value)
    if _PLAIN.fullmatch(text) and text.lower() not in _NOT_TEXT:
        return text
    return '"' + "".join(map(_escaped, text)) + '"'


def _escaped(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    if character.isprintable():
        return character
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def number(value: float) -> str:
    """A finite number, whole ones without a point, small ones so that YAML 1.1 readers see a number too."""
    if value == int(value) and abs(value) < 1e15:
        return str(int(value))
    text = repr(float(value))
    mantissa, e, exponent = text.partition("e")
    return f"{mantissa}{'' if '.' in mantissa else '.0'}{e}{exponent}" if e else text


def lines(value: dict[str, Any], indent: int = 0) -> list[str]:
    """A mapping as lines: nested mappings indented, lists of plain values in brackets."""
    margin = " " * indent
    out: list[str] = []
    for key, item in value.items():
        if isinstance(item, dict) and item:
            out.append(f"{margin}{key}:")
            out.extend(lines(item, indent + 2))
        elif isinstance(item, (list, tuple)) and any(isinstance(part, dict) for part in item):
            out.append(f"{margin}{key}:")
            out.extend(f"{margin}  - {flow(part)}" for part in item)
        else:
            out.append(f"{margin}{key}: {flow(item)}")
    return out


def flow(value: Any) -> str:
    """A value on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {flow_scalar(item)}" for key, item in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(flow_scalar(item) for item in value) + "]"
    return scalar(value)


def flow_scalar(value: Any) -> str:
    """A value inside brackets or braces."""
    return flow(value) if isinstance(value, (dict, list, tuple)) else scalar(value)
