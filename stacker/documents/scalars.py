"""What a word in a file means as a number or a truth value, and what to write when it is a trap."""

from __future__ import annotations

import math
import re

from stacker.documents.units import in_unit

_NUMBER = re.compile(r"[-+]?(?:0|[1-9][0-9]*)?(?:\.[0-9]*)?(?:(?<=[0-9.])[eE][-+]?[0-9]+)?")
_EXPONENT_ALONE = re.compile(r"[-+]?[0-9]+[eE][-+]?[0-9]+")
# what only a fault needs is compiled when there is one
_LEADING_ZERO = r"[-+]?0[0-9]+(?:\.[0-9]*)?"
_COMMA = r"[-+]?[0-9]+,[0-9]+"
_THOUSANDS = r"[1-9][0-9]{0,2},[0-9]{3}"
_RATIO = r"([0-9.]+):([0-9.]+)"
_FRACTION = r"([0-9.]+)/([0-9.]+)"
_F_NUMBER = r"[fF]/?([0-9]*\.?[0-9]+)"
_WITH_UNIT = r"([-+]?[0-9]*\.?[0-9]+) ?([A-Za-z%\u00d7\u00b5\u03bc/]+)"
_TRUE, _FALSE = frozenset({"yes", "on", "y"}), frozenset({"no", "off", "n"})


def read_number(text: str, *, quoted: bool, unit: str | None, whole: bool = False) -> tuple[float | None, str | None]:
    """A finite decimal number, or advice on what to write instead.

    Parameters
    ----------
    text : str
        The word as it stands in the file.
    quoted : bool
        Whether it stands in quotes; a quoted number is a fault, since other readers of the file take it for text.
    unit : str or None
        The unit of the key; without one ``1:2`` can only mean one half.
    whole : bool
        Whether the key takes whole numbers, such as 16 where somebody thinks of steps of 1/16.

    Returns
    -------
    value, advice : float or None, str or None
        Exactly one of the two, or neither where no advice fits.
    """
    if any(c.isdigit() for c in text) and _NUMBER.fullmatch(text) and text.isascii():
        value = float(text)
        if _EXPONENT_ALONE.fullmatch(text):
            return None, shown(value)  # text to a YAML 1.1 reader, a number to a YAML 1.2 one
        if not math.isfinite(value):
            return None, None
        return (None, f"{text} without quotes") if quoted else (value, None)
    return None, _advice(text, unit, whole=whole)


def _advice(text: str, unit: str | None, *, whole: bool) -> str | None:
    if re.fullmatch(_COMMA, text) and not re.fullmatch(_THOUSANDS, text):
        return text.replace(",", ".")
    if re.fullmatch(_LEADING_ZERO, text):
        return shown(float(text))
    if match := re.fullmatch(_FRACTION, text) or (re.fullmatch(_RATIO, text) if unit is None else None):
        if whole:
            return match[2] if match[1] == "1" else None
        return _quotient(match[1], match[2])
    if unit is None and (match := re.fullmatch(_F_NUMBER, text)):
        return shown(float(match[1]))
    if match := re.fullmatch(_WITH_UNIT, text):
        if match[2] == "%" and unit is None:
            return shown(float(match[1]) / 100)
        word = match[2].replace("\u00b5", "u").replace("\u03bc", "u")
        if word in (("x", "X", "\u00d7") if unit is None else (unit,)):
            return f"{match[1]}, the number alone"
        value = in_unit(float(match[1]), word, unit)
        return None if value is None else shown(value)
    return None


def _quotient(above: str, below: str) -> str | None:
    try:
        return shown(float(above) / float(below))
    except (ValueError, ZeroDivisionError):
        return None


def shown(value: float) -> str | None:
    """A number as a person writes it; ``None`` where that would take an exponent."""
    if not 1e-12 <= abs(value) < 1e15:
        return "0" if value == 0 else None
    text = f"{value:.12f}".rstrip("0").rstrip(".")
    return text if float(text) == value else f"{value:.6f}".rstrip("0").rstrip(".")


def read_flag(text: str, *, quoted: bool) -> tuple[bool | None, str | None]:
    """True or false, or advice: ``yes`` is true to one YAML reader and text to another."""
    if text in ("true", "false"):
        return (None, f"{text} without quotes") if quoted else (text == "true", None)
    if text.lower() in _TRUE | {"true"}:
        return None, "true"
    if text.lower() in _FALSE | {"false"}:
        return None, "false"
    return None, None
