"""What is wrong with the files of a folder, each by its own bytes and beside the others of its kind."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from statistics import median

from stacker.verifying.exposures import File

_STANDARD = frozenset({".dng", ".heic", ".heif", ".hif", ".jpe", ".jpeg", ".jpg", ".png", ".tif", ".tiff"})
_PADDING = 1 << 16  # zeros that a file may end in without having lost anything
# A JPEG without detail can have a third of the bytes of one in focus, and grows toward the middle of a stack bit by
# bit; a raw file varies by a fifth. Common practice, no source.
_FAR_SMALLER = 4
_BIT_BY_BIT = 2


def faults_of(files: Sequence[File], *, compare_sizes: bool = True) -> tuple[dict[Path, str], tuple[str, ...]]:
    """What is wrong with each file, by its own bytes and beside the others of its kind.

    Parameters
    ----------
    files : sequence of File
        All pictures of a folder.
    compare_sizes : bool
        Whether all were exposed alike.

    Returns
    -------
    dict of Path to str
        What is wrong with each.
    tuple of str
        Endings of files of which nobody can say whether they are whole.
    """
    faults: dict[Path, str] = {}
    unfollowed = []
    for ending in sorted({file.path.suffix.lower() for file in files}):
        kind = [file for file in files if file.path.suffix.lower() == ending]
        found = {file.path: file.look.lost for file in kind if file.look.lost}
        broken = {file.path: file.look.broken for file in kind if file.look.broken}
        if ending not in _STANDARD and 2 * len(broken) > len(kind) - len(found):
            broken = {}  # not the files are broken then: this maker's raw files are built otherwise
            unfollowed.append(ending)
        elif any(not file.look.followed and not file.look.lost for file in kind):
            unfollowed.append(ending)
        rest = [file for file in kind if file.path not in found and file.path not in broken]
        faults |= found | broken | _zero_ended(rest) | (_far_smaller(rest) if compare_sizes else {})
    return faults, tuple(unfollowed)


def _zero_ended(files: Sequence[File]) -> dict[Path, str]:
    """Files whose last part was never written, though room was made for it."""
    usual = median([file.look.zeros_at_end for file in files] or [0])
    return {
        file.path: f"nothing but zeros in its last {file.look.zeros_at_end:,} bytes"
        for file in files
        if file.look.zeros_at_end > max(_PADDING, 2 * usual)
    }


def _far_smaller(files: Sequence[File]) -> dict[Path, str]:
    """Files far below the median size, unless sizes come down to theirs bit by bit, as at the ends of a stack."""
    ordered = sorted(files, key=lambda file: (file.written_s if file.taken_s is None else file.taken_s, file.path))
    usual = median([file.size for file in ordered] or [0])
    fine = [file.size * _FAR_SMALLER >= usual for file in ordered]
    for step in (1, -1):
        order = range(len(ordered))[::step]
        for before, here in pairwise(order):
            if fine[before] and ordered[here].size * _BIT_BY_BIT > ordered[before].size:
                fine[here] = True
    return {
        file.path: f"far smaller ({file.size:,} bytes) than half of them ({usual:,.0f} or more)"
        for file, good in zip(ordered, fine, strict=True)
        if not good
    }
