"""From a file on disk to a document: blocks that are files of their own, ``--set`` on top, all faults together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Generic, TypeVar

from stacker.documents.fields import read_block
from stacker.documents.files import stem_of
from stacker.documents.kinds import BLOCKS, kind_of
from stacker.documents.rail_profile import HandRail, RailProfile
from stacker.documents.request import Request
from stacker.documents.source import Mapping, Node, Place, Scalar, parse, read_text
from stacker.documents.values import Reading, found
from stacker.errors import Fault, InputError, Refusal, StackerError
from stacker.records import record

Document = TypeVar("Document")
_OPTION = "--set "
_DEPTH, _ANY_DEPTH_MM = "subject.depth_mm", 10_000  # deeper than any zone of it begins


@record
class Loaded(Generic[Document]):
    """A document with what is known of its text.

    ``assumed`` holds the defaults that are guesses about the real bench, by dotted key; ``places`` where each key
    stands.
    """

    value: Document
    path: str
    assumed: dict[str, Any]
    places: dict[str, Place]

    def located(self, refusal: Refusal) -> StackerError:
        """A refusal with file, line and key in front, where its key stands in the file."""
        key = refusal.key or ""
        while key and key not in self.places:
            key = key.rpartition(".")[0]
        if not key:
            return Refusal(f"{self.path}: {refusal}", code=refusal.code, key=refusal.key)
        fault = self.places[key].fault(refusal.key or key, str(refusal))
        return Refusal(str(fault), code=refusal.code, key=refusal.key)


def load_request(path: Path | str, overrides: Sequence[str] = (), *, text: str | None = None) -> Loaded[Request]:
    """Read a request.

    Parameters
    ----------
    path : Path or str
        The YAML file.
    overrides : sequence of str
        Texts such as ``focus.overlap=0.4``, each in place of what the file says, and validated alike.
    text : str, optional
        What the file will say, before it is written.

    Raises
    ------
    InputError
        With all faults of the file, of the files it names, and of the overrides.
    """
    loaded = _load(Request, path, overrides, text)
    if loaded.value.name is None:
        name = stem_of(path).encode("utf-8", "replace").decode()  # a name may hold bytes that are no text
        loaded = replace(loaded, value=replace(loaded.value, name=name))
    return _with_overlap(_with_wavelength(loaded))


def load_without_depth(path: Path | str, *, text: str | None = None) -> tuple[Request, bool]:
    """A request for those who find the subject's depth out: that it is missing is no fault; any number stands for it.

    Returns
    -------
    Request, bool
        And whether it says its depth.

    Raises
    ------
    InputError
        With all other faults.
    """
    try:
        return load_request(path, text=text).value, True
    except InputError as error:
        if not any(fault.key == _DEPTH and fault.text.startswith("missing") for fault in error.faults):
            raise
    return load_request(path, [f"{_DEPTH}={_ANY_DEPTH_MM}"], text=text).value, False


def _with_wavelength(loaded: Loaded[Request]) -> Loaded[Request]:
    """Fill in the wavelength, unless the light has several."""
    focus = loaded.value.focus
    if focus.wavelengths is None and focus.wavelength_nm is None:
        focus = replace(focus, wavelength_nm=focus.mean_wavelength_nm)
    return replace(loaded, value=replace(loaded.value, focus=focus))


def _with_overlap(loaded: Loaded[Request]) -> Loaded[Request]:
    """Fill in the overlap, which depends on whether the seam contrast is given."""
    focus = loaded.value.focus
    if focus.overlap is not None:
        return loaded
    assumed = {key: value for key, value in loaded.assumed.items() if key != "focus.overlap"}
    if focus.seam_contrast is None:
        focus = replace(focus, overlap=focus.overlap_asked)
        assumed["focus.overlap"] = focus.overlap
    return replace(loaded, value=replace(loaded.value, focus=focus), assumed=assumed)


def load_rail(path: Path | str, *, text: str | None = None) -> Loaded[RailProfile | HandRail]:
    """Read a rail profile that stands in a file of its own; see `load_block`."""
    return load_block("rail", path, text=text)


def load_block(name: str, path: Path | str, *, text: str | None = None) -> Loaded[Any]:
    """Read a block of a request that stands in a file of its own, or what that file will say before it is written.

    Raises
    ------
    InputError
        With all faults of the file.
    """
    reading = _reading()
    node = _mapping(parse(read_text(path) if text is None else text, str(path), reading.faults))
    if (kind := kind_of(node, name)) != name:
        raise InputError([node.place.fault("", f"this is a {kind}; name a file that holds a {name}")])
    return _finish(reading, BLOCKS[name].read(node, "", reading), path)


def _load(cls: type[Document], path: Path | str, overrides: Sequence[str], text: str | None) -> Loaded[Document]:
    reading = _reading()
    node = _mapping(parse(read_text(path) if text is None else text, str(path), reading.faults))
    _refuse_other_documents(node)
    for override in overrides:
        try:
            _override(node, override)
        except InputError as error:
            reading.faults.extend(error.faults)
    for name in _blocks_left_out(cls, node):
        node.nodes[name] = Mapping(place=node.place)
    return _finish(reading, read_block(cls, node, "", reading), path)


def _refuse_other_documents(node: Mapping) -> None:
    """Say at once that a file is a plan or a block, instead of a fault for each of its keys."""
    kind = kind_of(node)
    if kind == "request":
        return
    text = f"this is a {kind}; write a request, and name this file in it as '{kind}:'"
    if kind == "plan":
        text = "this is a plan; name the request it was made from"
    raise InputError([node.place.fault("", text)])


def _blocks_left_out(cls: type[Any], node: Mapping) -> list[str]:
    """Blocks of which all keys have defaults are read as if they stood there empty: what they assume is listed."""
    return ["focus"] if cls is Request and "focus" not in node.nodes else []


def _finish(reading: Reading, value: Any, path: Path | str) -> Loaded[Any]:
    if reading.faults:
        raise InputError(sorted(set(reading.faults), key=_order))
    return Loaded(value=value, path=str(path), assumed=reading.defaulted, places=reading.places)


def _order(fault: Fault) -> tuple[str, int, int, str]:
    return fault.path, fault.line, fault.column, fault.key


def _reading() -> Reading:
    return Reading(open_block=_open_block)


def _mapping(node: Node) -> Mapping:
    if not isinstance(node, Mapping):
        raise InputError([node.place.fault("", f"found {found(node)}; write 'key: value' lines")])
    return node


def _open_block(node: Scalar, key: str) -> Mapping:
    """Read the file that stands in place of a block, relative to the file that names it."""
    named_in = node.place.path
    folder = Path() if named_in.startswith(_OPTION) else Path(named_in).parent
    path = folder / node.text
    if not path.is_file():
        text = f"found '{node.text}', but there is no file {path}; write a block of keys or the path of a file with one"
        if key.rpartition(".")[2] == "link":
            text = f"found '{node.text}'; write a port as {{url: {node.text}}}"
        raise InputError([node.place.fault(key, text)])
    block = _mapping(parse(read_text(path), str(path)))
    if key in BLOCKS and (kind := kind_of(block, key)) != key:
        raise InputError([node.place.fault(key, f"{path} is a {kind}; name a file that holds a {key}")])
    return block


def _override(root: Mapping, override: str) -> None:
    """Put one ``key=value`` into the tree."""
    place = Place(path=_OPTION + override)
    key, equals, text = override.partition("=")
    words = key.strip().split(".")
    if not equals or not all(words):
        raise InputError([place.fault("", "write --set key=value, for example --set focus.overlap=0.4")])
    node = root
    for depth, word in enumerate(words[:-1], start=1):
        child = node.nodes.get(word)
        if isinstance(child, Scalar) and not child.is_null:
            child = _open_block(child, ".".join(words[:depth]))
        if not isinstance(child, Mapping):
            child = Mapping(place=place)
        node.nodes[word] = child
        node.keys.setdefault(word, place)
        node = child
    try:
        value = parse(text, place.path) if text.strip() else Scalar(place=place, text="")
    except InputError as error:
        raise InputError([place.fault(key, fault.text) for fault in error.faults]) from None
    node.nodes[words[-1]] = _placed(value, place)
    node.keys[words[-1]] = place


def _placed(node: Node, place: Place) -> Node:
    """The same value, standing on the command line: it has no line and column."""
    if isinstance(node, Mapping):
        return Mapping(
            place=place,
            nodes={key: _placed(child, place) for key, child in node.nodes.items()},
            keys=dict.fromkeys(node.keys, place),
        )
    if isinstance(node, Scalar):
        return node._replace(place=place)
    return replace(node, place=place, nodes=tuple(_placed(child, place) for child in node.nodes))
