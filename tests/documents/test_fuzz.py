"""Whatever a file holds, it is read or refused: no other exception escapes."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path

import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from stacker.documents import emit
from stacker.documents.checking import check_file
from stacker.documents.loading import load_request
from stacker.documents.plan_file import parse_plan
from stacker.documents.source import Items, Mapping, Node, Scalar, parse
from stacker.errors import InputError, StackerError

GOOD = (
    "rig: {kind: measured, magnification: 0.87, f_number: 5.6}\n"
    "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}\nsubject: {depth_mm: 3.4}\n"
)
PLAN = Path(__file__).resolve().parents[2] / "plans" / "water_flea_finite.plan.yaml"
KEYS = ["rig", "kind", "camera", "subject", "focus", "depth_mm", "zones", "rail", "overlap", "pixels", "stacker_plan"]
TRAPS = ["lens", "null", "~", "yes", "1:1", "3,4", "1e-3", "010", "-0", "1.0e999", "[", "{a: ", "*x", "&x", "!t"]
words = st.one_of(
    st.sampled_from([*KEYS, *TRAPS]),
    st.text(max_size=8),
    st.floats().map(repr),
    st.integers().map(str),
)
trees = st.recursive(
    words,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[" + ", ".join(items) + "]"),
        st.lists(st.tuples(st.sampled_from(KEYS), inner), max_size=3).map(
            lambda pairs: "{" + ", ".join(f"{key}: {value}" for key, value in pairs) + "}"
        ),
    ),
    max_leaves=6,
)
texts = st.one_of(
    st.text(max_size=60),
    st.lists(st.tuples(st.sampled_from(KEYS), trees), max_size=5).map(
        lambda pairs: "".join(f"{key}: {value}\n" for key, value in pairs)
    ),
    st.tuples(st.integers(0, len(GOOD)), st.text(max_size=3)).map(
        lambda cut: GOOD[: cut[0]] + cut[1] + GOOD[cut[0] + 1 :]
    ),
)


def read_or_refused(content: bytes, folder) -> None:
    path = folder / "fuzz.yaml"
    path.write_bytes(content)
    with contextlib.suppress(StackerError):
        check_file(path)


@settings(max_examples=examples(600))
@given(texts)
def test_no_text_escapes(tmp_path_factory, text):
    read_or_refused(text.encode("utf-8", "surrogatepass"), tmp_path_factory.getbasetemp())


@settings(max_examples=examples(200))
@given(st.binary(max_size=80))
def test_no_bytes_escape(tmp_path_factory, content):
    read_or_refused(content, tmp_path_factory.getbasetemp())


@settings(max_examples=examples(300))
@given(st.data())
def test_no_damaged_plan_escapes_or_passes(data):
    text = PLAN.read_text(encoding="utf-8")
    at = data.draw(st.integers(0, len(text) - 1))
    damaged = text[:at] + data.draw(st.text(max_size=2)) + text[at + data.draw(st.integers(0, 3)) :]
    if damaged == text:
        return
    with pytest.raises(StackerError):
        parse_plan(damaged, "p.yaml")


@settings(max_examples=examples(200))
@given(st.text(max_size=30), st.text(max_size=20))
def test_no_override_escapes(tmp_path_factory, key, value):
    path = tmp_path_factory.getbasetemp() / "good.yaml"
    path.write_text(GOOD, encoding="utf-8")
    with contextlib.suppress(InputError):
        load_request(path, [f"{key}={value}"])


plain = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(-(10**15), 10**15),
        st.floats(allow_nan=False, allow_infinity=False),
        st.text(),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(KEYS), inner, max_size=3)),
    max_leaves=8,
)


def understood(node: Node) -> object:
    """What a YAML 1.2 reader makes of our own nodes."""
    if isinstance(node, Mapping):
        return {key: understood(child) for key, child in node.nodes.items()}
    if isinstance(node, Items):
        return [understood(child) for child in node.nodes]
    assert isinstance(node, Scalar)
    if node.quoted:
        return node.text
    if node.is_null:
        return None
    if node.text in ("true", "false"):
        return node.text == "true"
    return float(node.text) if re.fullmatch(r"[-+]?[0-9]+(\.[0-9]*)?(e[-+]?[0-9]+)?", node.text) else node.text


@settings(max_examples=examples(300))
@given(st.dictionaries(st.sampled_from(KEYS), plain, min_size=1, max_size=4))
def test_what_is_written_is_read_back_the_same(value):
    def as_float(item):
        if isinstance(item, dict):
            return {key: as_float(inner) for key, inner in item.items()}
        if isinstance(item, list):
            return [as_float(inner) for inner in item]
        return float(item) if isinstance(item, int) and not isinstance(item, bool) else item

    assert understood(parse("\n".join(emit.lines(value)) + "\n", "x")) == as_float(value)
