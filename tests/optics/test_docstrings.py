"""What the optics say of their arguments: each has its meaning and, where it is a number, its unit."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from dataclasses import fields, is_dataclass

import pytest

from stacker import optics

MANY = 3  # arguments, from which on each is explained
_NUMBERS = re.compile(r"\b(float|ArrayLike|FloatArray)\b")
_UNIT = re.compile(r"\[(-|any|[a-z]+(/[a-z]+)?(\^\d)?|1/m)\]")


def _public():
    for module_info in pkgutil.iter_modules(optics.__path__):
        module = importlib.import_module(f"{optics.__name__}.{module_info.name}")
        for name, thing in vars(module).items():
            if not name.startswith("_") and getattr(thing, "__module__", "") == module.__name__:
                yield f"{module_info.name}.{name}", thing


def _callables():
    for name, thing in _public():
        if inspect.isfunction(thing):
            yield name, thing
        elif inspect.isclass(thing):
            for attribute, value in vars(thing).items():
                function = getattr(value, "__func__", getattr(value, "fget", value))
                if not attribute.startswith("_") and inspect.isfunction(function):
                    yield f"{name}.{attribute}", function


def _section(docstring: str, title: str) -> str:
    found = re.search(rf"^{title}\n-+\n(.*?)(?=^\w+\n-+\n|\Z)", docstring, re.MULTILINE | re.DOTALL)
    return found[1] if found else ""


def _entries(section: str) -> dict[str, str]:
    """What is said of each name; names that share an entry share its text."""
    parts = re.split(r"^(\w[\w, ]*?)(?: : .*)?\n", section, flags=re.MULTILINE)[1:]
    return {name: text for names, text in zip(parts[::2], parts[1::2], strict=True) for name in names.split(", ")}


def _faults(said: dict[str, str], types: dict[str, str]) -> list[str]:
    wrong = [f"{name}: not on both sides" for name in sorted(set(said) ^ set(types))]
    return wrong + [
        f"{name}: no unit"
        for name, kind in types.items()
        if _NUMBERS.search(kind) and "Callable" not in kind and not _UNIT.search(said.get(name, ""))
    ]


CALLABLES = dict(_callables())
RECORDS = {name: thing for name, thing in _public() if inspect.isclass(thing) and is_dataclass(thing)}


def _arguments(function) -> dict[str, str]:
    return {
        name: str(one.annotation)
        for name, one in inspect.signature(function).parameters.items()
        if name not in {"self", "cls"}
    }


@pytest.mark.parametrize("name", [name for name, one in CALLABLES.items() if len(_arguments(one)) >= MANY])
def test_every_argument_of_many_is_explained_with_its_unit(name):
    docstring = inspect.getdoc(CALLABLES[name])
    said = _entries(_section(docstring, "Parameters"))
    assert _faults(said, _arguments(CALLABLES[name])) == []
    assert _section(docstring, "Returns")


@pytest.mark.parametrize("name", CALLABLES)
def test_a_number_that_is_returned_has_its_unit(name):
    docstring, returned = inspect.getdoc(CALLABLES[name]), str(inspect.signature(CALLABLES[name]).return_annotation)
    if returned.startswith(("float", "FloatArray")) and name != "otf.floats":  # which gives back what it takes
        assert _UNIT.search(_section(docstring, "Returns") or docstring.splitlines()[0])


@pytest.mark.parametrize("name", RECORDS)
def test_every_field_of_a_record_is_explained_with_its_unit(name):
    said = _entries(_section(inspect.getdoc(RECORDS[name]), "Attributes"))
    assert _faults(said, {field.name: str(field.type) for field in fields(RECORDS[name])}) == []


def test_the_checks_find_what_they_seek():
    assert len(CALLABLES) > 40
    assert len(RECORDS) >= 8
    assert {"depth.sum_depth_um", "imaging.LensState.of_lens"} <= set(CALLABLES)
    said = _entries("a, b : float\n    Both [mm].\nc : float\n    None.\n")
    assert _faults(said, {"a": "float", "b": "float", "c": "float"}) == ["c: no unit"]
    assert _faults(said, {"a": "float", "c": "str"}) == ["b: not on both sides"]
