"""YAML text with the place of every value, before anything is understood.

Scalars stay text: what a word means is decided by the field that reads it, so that no YAML 1.1 rule turns ``12:30``
into 750 or ``010`` into 8 on the way.
"""

from __future__ import annotations

import re
import stat
from dataclasses import field
from pathlib import Path
from typing import Any, NamedTuple

import yaml

from stacker.errors import Fault, InputError
from stacker.figures import one_line
from stacker.records import record

_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_KNOWN_TAGS = {"map", "seq", "str", "int", "float", "bool", "null", "timestamp", "merge", "value"}
_NOT_IN_YAML = yaml.reader.Reader.NON_PRINTABLE  # surrogates too: what a terminal of another encoding passes on
_DEEPEST = 24  # levels of nesting; a document of ours has four
_OPENS = re.compile(r"[\[{?-]")  # what nests without indentation, which is quadratic in the depth
_MAY_NEST = 200  # so many of them are no danger to any reader
_LARGEST = 64_000_000  # bytes: a plan of half a million frames
_LONGEST = 200_000  # characters of YAML, the table of a plan not among them; a request has two thousand


class Place(NamedTuple):
    """Where a value stands: a file (or an option of the command line), line and column from 1, 0 for no place.

    ``start`` and ``end`` count characters from the start of the text, for edits in place.
    """

    path: str
    line: int = 0
    column: int = 0
    start: int = 0
    end: int = 0

    def fault(self, key: str, text: str) -> Fault:
        """A fault at this place; a key that somebody wrote may hold any sign."""
        return Fault(path=self.path, line=self.line, column=self.column, key=one_line(key), text=text)


class Scalar(NamedTuple):
    """One word or quoted text; ``quoted`` tells ``"3.4"`` from ``3.4``."""

    place: Place
    text: str
    quoted: bool = False

    @property
    def is_null(self) -> bool:
        """Whether the word says that there is no value."""
        return not self.quoted and self.text in ("", "~", "null", "Null", "NULL")


@record
class Items:
    """A list."""

    place: Place
    nodes: tuple[Node, ...]


@record
class Mapping:
    """Keys and values in the order of the file; ``keys`` tells where each key itself stands."""

    place: Place
    nodes: dict[str, Node] = field(default_factory=dict)
    keys: dict[str, Place] = field(default_factory=dict)


Node = Scalar | Items | Mapping


def refuse_no_file(path: Path | str) -> None:
    """A pipe that nobody fills, or a device without an end, would be waited for without one.

    Raises
    ------
    InputError
        If it is no file, or larger than any of ours.
    OSError
        If it is not there.
    """
    place, about = Place(path=str(path)), Path(path).stat()
    if not (stat.S_ISREG(about.st_mode) or stat.S_ISDIR(about.st_mode)):
        raise InputError([place.fault("", "is a pipe or a device; save what it holds as a file, and name that")])
    if about.st_size > _LARGEST:
        raise InputError([place.fault("", f"is larger than {_LARGEST // 1_000_000} MB; no file of ours is")])


def read_text(path: Path | str) -> str:
    """The text of a UTF-8 file, with or without a byte order mark, line ends as LF.

    Raises
    ------
    InputError
        If the file cannot be read, is no file or no UTF-8, or is larger than any of ours.
    """
    place = Place(path=str(path))
    try:
        refuse_no_file(path)
        data = Path(path).read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError([place.fault("", f"cannot be read ({reason}); check the name")]) from None
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        column = error.start - data.rfind(b"\n", 0, error.start)
        fault = Fault(path=str(path), line=line, column=column, key="", text="not UTF-8; save the file as UTF-8")
        raise InputError([fault]) from None


def parse(text: str, path: str, faults: list[Fault] | None = None) -> Node:
    """Turn YAML text into marked nodes.

    Parameters
    ----------
    text : str
        One YAML document.
    path : str
        What faults call the file.
    faults : list of Fault, optional
        Where tags, aliases and duplicate keys are noted, so that they are told together with later faults.

    Raises
    ------
    InputError
        If the text is no YAML at all, or has a fault and there is no list to note it in.
    """
    if len(text) > _LONGEST:
        raise InputError([Place(path=path).fault("", f"longer than {_LONGEST} characters; no file of ours is")])
    if strange := _NOT_IN_YAML.search(text):
        line = text.count("\n", 0, strange.start()) + 1
        place = Place(path=path, line=line, column=strange.start() - text.rfind("\n", 0, strange.start()))
        raise InputError([place.fault("", f"found a character that no text has (U+{ord(strange[0]):04X}); delete it")])
    try:
        if len(_OPENS.findall(text)) > _MAY_NEST:
            _refuse_nesting(text)
        root = yaml.compose(text, Loader=_LOADER)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Place(path=path, line=mark.line + 1, column=mark.column + 1) if mark else Place(path=path)
        problem = " ".join(str(error.problem or error.context).split())
        told = "nested too deeply" if "nesting" in problem else f"not YAML: {problem}; {_syntax_help(text, problem)}"
        raise InputError([place.fault("", told)]) from None
    except RecursionError:
        raise InputError([Place(path=path).fault("", "nested too deeply")]) from None
    if root is None:
        raise InputError([Place(path=path).fault("", "the file is empty; 'stacker new lens' prints one to start from")])
    converter = _Converter(path)
    node = converter.node(root, 0)
    if faults is not None:
        faults.extend(converter.faults)
    elif converter.faults:
        raise InputError(converter.faults)
    return node


def _refuse_nesting(text: str) -> None:
    """Look at the depth before the library builds its tree: older ones end the whole program on deep brackets."""
    depth = 0
    for event in yaml.parse(text, Loader=_LOADER):
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
            if depth > _DEEPEST + 1:
                raise RecursionError
        elif isinstance(event, yaml.CollectionEndEvent):
            depth -= 1


def _syntax_help(text: str, problem: str) -> str:
    if "\t" in text and "token" in problem:
        return "indent with spaces, not tabs"
    if "mapping values are not allowed" in problem:
        return "one key a line, and quotes around a text with ': ' in it"
    if "another document" in problem:
        return "one document a file: take out '---'"
    return "look at this line and the one above it"


class _Converter:
    """From the library's nodes to ours; collects faults on the way."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.faults: list[Fault] = []
        self.seen: set[int] = set()

    def place(self, node: yaml.Node) -> Place:
        start, end = node.start_mark, node.end_mark
        return Place(path=self.path, line=start.line + 1, column=start.column + 1, start=start.index, end=end.index)

    def node(self, node: yaml.Node, depth: int) -> Node:
        place = self.place(node)
        if id(node) in self.seen:
            self.faults.append(place.fault("", "an alias ('*name') points here; write the value out each time"))
            return Scalar(place=place, text="")
        self.seen.add(id(node))
        prefix, _, kind = node.tag.rpartition(":")
        if prefix != "tag:yaml.org,2002" or kind not in _KNOWN_TAGS:
            self.faults.append(place.fault("", f"found the tag '{node.tag}'; leave it out"))
        if depth > _DEEPEST:
            self.faults.append(place.fault("", "nested too deeply"))
            return Scalar(place=place, text="")
        if isinstance(node, yaml.MappingNode):
            return self.mapping(node, place, depth)
        if isinstance(node, yaml.SequenceNode):
            return Items(place=place, nodes=tuple(self.node(item, depth + 1) for item in node.value))
        if isinstance(node, yaml.ScalarNode):
            # libyaml says '' for a plain word, the pure reader says None
            return Scalar(place=place, text=node.value, quoted=bool(node.style))
        raise AssertionError(node)

    def mapping(self, node: yaml.MappingNode, place: Place, depth: int) -> Mapping:
        nodes: dict[str, Node] = {}
        keys: dict[str, Place] = {}
        for key_node, value_node in node.value:
            key_place = self.place(key_node)
            if not isinstance(key_node, yaml.ScalarNode):
                self.faults.append(key_place.fault("", "a key must be one word"))
                continue
            key = key_node.value
            if key in nodes:
                first = keys[key].line
                self.faults.append(key_place.fault(key, f"a second time (first in line {first}); keep one of the two"))
                continue
            keys[key] = key_place
            nodes[key] = self.node(value_node, depth + 1)
        return Mapping(place=place, nodes=nodes, keys=keys)
