"""What all drawn fits share: matplotlib where it is installed, and a file whose ending says its kind."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.documents.files import write_whole
from stacker.errors import Refusal
from stacker.presenting.svg import require_matplotlib

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MADE_BY = {"svg": "Creator", "png": "Software", "pdf": "Creator"}  # where each kind says who made it
_LARGEST = 20_000_000  # bytes; such a picture has a hundred thousand


def new_figure(path: Path, maker: str, *, width_in: float, height_in: float) -> Figure:
    """An empty figure for a file, before anything is computed for it.

    Parameters
    ----------
    path : Path
        The file it will go to.
    maker : str
        The command that draws it: an older picture of its own is written over, nothing else.
    width_in, height_in : float
        Size [inch].

    Raises
    ------
    Refusal
        When the extra with matplotlib is not installed, the ending is of no picture, or another file has that name.
    """
    require_matplotlib()
    from matplotlib.figure import Figure

    if _kind(path) not in _MADE_BY:
        raise Refusal(f"{path}: found '{path.suffix}'; end the name in .svg, .png or .pdf", code="picture_kind")
    _keep_other_files(path, maker)
    return Figure(figsize=(width_in, height_in), layout="constrained")


def save_figure(figure: Figure, path: Path, maker: str) -> None:
    """Write a figure whole, with the name of the command that drew it.

    Raises
    ------
    OSError
        When it cannot be written.
    """
    drawn = io.BytesIO()
    figure.savefig(drawn, format=_kind(path), metadata={_MADE_BY[_kind(path)]: maker})
    write_whole(path, drawn.getvalue())


def _kind(path: Path) -> str:
    return path.suffix[1:].lower()


def _keep_other_files(path: Path, maker: str) -> None:
    """Draw over an older picture of the same command alone."""
    if not path.exists():
        return
    ours = path.is_file() and path.stat().st_size < _LARGEST and maker.encode() in path.read_bytes()
    if not ours and not (path.is_file() and not path.stat().st_size):
        raise Refusal(
            f"{path} exists and is no picture of this command; choose another name for --picture", code="exists"
        )
