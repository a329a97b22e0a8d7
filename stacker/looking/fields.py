"""Fields: small places of the picture whose energy rises and falls once while the plane of focus passes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.looking.through_focus import BandCurve, FloatArray
from stacker.pixels.energy import BANDS

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MOST_PLACES = 6000
"""A picture's cells are joined to no more tiles than about this: finer ones add time, hardly certainty."""
FEWEST_FIELDS = 40
NO_DETAIL = "hardly any field has detail that comes and goes with focus: smooth, or the plane of focus stood still"
_FOLLOWING = (0.35, 0.6, 0.85)
"""Of the tiles with detail so many follow one rise and fall, band by band: least of hairy stacks 0.44, 0.54, 0.70,
most of translucent ones 0.28, 0.51, 0.77 (rendered, 30 stacks)."""
_WIDTHS = np.geomspace(0.7, 3.0, 9)  # times the plan's curve: relief within a field widens it
TRIED = 0.25
"""Depths are tried so far apart [steps]."""
_LEAST_RISE = 0.3  # of the peak, over what a field has out of focus
_LEAST_SIGNAL = 6.0  # times the noise from frame to frame; of 30 frames of noise alone the highest has 3
_FAINT = 0.03  # of the middle one of the energies of fields with detail
ALIKE = 0.8  # share of a field's variance that one rise and fall explains
_CLOSELY = 0.9


@dataclass(frozen=True, kw_only=True, slots=True)
class Fields:
    """One energy curve a field and band.

    Parameters
    ----------
    energy : ndarray, shape (frames, n)
        Over the field's largest.
    place, band : ndarray of int, shape (n,)
        Which tile, counted along rows, and which band.
    depth, log_width : ndarray, shape (n,)
        Where it is sharpest [planned steps from the first frame], and how wide its curve is beside the plan's.
    likeness : ndarray, shape (n,)
        Share of its variance that the curve explains.
    """

    energy: FloatArray
    place: IntArray
    band: IntArray
    depth: FloatArray
    log_width: FloatArray
    likeness: FloatArray

    def part(self, kept: BoolArray | IntArray, frames: slice = slice(None)) -> Fields:
        """Some of them, in some of the frames."""
        return Fields(
            energy=self.energy[frames][:, kept],
            place=self.place[kept],
            band=self.band[kept],
            depth=self.depth[kept],
            log_width=self.log_width[kept],
            likeness=self.likeness[kept],
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Detail:
    """How many tiles show detail that comes and goes, and which share of them does so closely as the curve says."""

    count: int
    following: float


def tiles_of(cells: NDArray[np.floating]) -> NDArray[np.floating]:
    """Join the cells of one picture, shape (bands, rows, columns), to tiles, of which there are 6,000 at most."""
    bands, rows, columns = cells.shape
    side = max(1, int(np.ceil(np.sqrt(rows * columns / MOST_PLACES))))
    whole = cells[:, : rows // side * side, : columns // side * side]
    tiles: NDArray[np.floating] = whole.reshape(bands, rows // side, side, columns // side, side).mean(axis=(2, 4))
    return tiles


def fields_of(
    energy: NDArray[np.floating], at: FloatArray, curves: tuple[BandCurve, ...]
) -> tuple[Fields, tuple[Detail, ...]]:
    """Find the fields that rise and fall once, and roughly where.

    Parameters
    ----------
    energy : ndarray, shape (frames, bands, rows, columns)
    at : ndarray, shape (frames,)
        Planned planes [steps].
    curves : tuple of BandCurve
        One a band.
    """
    found, details = [], []
    for band in range(BANDS):
        curve, detailed = curves_of(energy[:, band])
        place = np.flatnonzero(detailed)
        fields = matched(curve[:, place], at, curves[band], place, band)
        details.append(detail_of(fields))
        inside = (fields.depth > at[0] - 1) & (fields.depth < at[-1] + 1)
        found.append(fields.part(inside & (fields.likeness > ALIKE)))
    return _joined(found), tuple(details)


def curves_of(energy: NDArray[np.floating]) -> tuple[FloatArray, BoolArray]:
    """Energy over each field's largest, and which fields have detail that comes and goes.

    Parameters
    ----------
    energy : ndarray, shape (frames, rows, columns)
        Of one band.

    Returns
    -------
    ndarray, shape (frames, n)
    ndarray of bool, shape (n,)
        Fields that rise well over what they have out of focus and over the noise from one frame to the next, and that
        are not much fainter than the others: what shines into a black background comes and goes too.
    """
    curve = energy.reshape(len(energy), -1).astype(np.float64)
    largest = curve.max(axis=0)
    curve /= np.maximum(largest, 1e-30)
    bends = np.abs(curve[2:] - 2 * curve[1:-1] + curve[:-2])
    noise = 1.48 * np.median(bends, axis=0) / np.sqrt(6)
    risen = 1 - np.quantile(curve, 0.2, axis=0) > _LEAST_RISE
    detailed: BoolArray = risen & (1 - np.median(curve, axis=0) > _LEAST_SIGNAL * noise) & (largest > 0)
    if detailed.any():
        detailed &= largest > _FAINT * np.median(largest[detailed])
    return curve, detailed


def detail_of(fields: Fields) -> Detail:
    """How many fields of one band follow the curve closely."""
    closely = fields.likeness > _CLOSELY
    return Detail(count=len(closely), following=float(closely.mean()) if len(closely) else 0.0)


def matched(
    curve: FloatArray, at: FloatArray, shape: BandCurve, place: IntArray, band: int, *, beyond: float = 1.5
) -> Fields:
    """The depth and width whose curve is most like each field's, whatever its peak and floor.

    Parameters
    ----------
    curve : ndarray, shape (frames, n)
    at : ndarray, shape (frames,)
        Planned planes [steps].
    shape : BandCurve
    place : ndarray of int, shape (n,)
    band : int
    beyond : float
        How far before the first and behind the last frame depths are tried [steps].
    """
    count = curve.shape[1]
    depths = np.arange(at[0] - beyond, at[-1] + beyond + 0.01, TRIED)
    rest = curve - curve.mean(axis=0)
    best, depth, width = np.zeros(count), np.full(count, np.inf), np.ones(count)
    for one in _WIDTHS:
        template, _ = shape.at((at[None, :] - depths[:, None]) / one)
        template -= template.mean(axis=1, keepdims=True)
        template /= np.maximum(np.sqrt((template**2).sum(axis=1)), 1e-9)[:, None]
        match = template @ rest
        top = match.argmax(axis=0)
        value = match[top, np.arange(count)]
        better = value > best
        best[better], depth[better], width[better] = value[better], depths[top[better]], one
    return Fields(
        energy=curve,
        place=place,
        band=np.full(count, band, dtype=np.int64),
        depth=depth,
        log_width=np.log(width),
        likeness=best**2 / np.maximum((rest**2).sum(axis=0), 1e-30),
    )


def _joined(parts: list[Fields]) -> Fields:
    return Fields(
        energy=np.concatenate([part.energy for part in parts], axis=1),
        place=np.concatenate([part.place for part in parts]),
        band=np.concatenate([part.band for part in parts]),
        depth=np.concatenate([part.depth for part in parts]),
        log_width=np.concatenate([part.log_width for part in parts]),
        likeness=np.concatenate([part.likeness for part in parts]),
    )


def some_of(fields: Fields, most: int) -> IntArray:
    """Of each band and step of depth so many fields at most, from all over the picture.

    Not those most like their curve: these are the ones to which planned steps fit, whatever the true ones are.
    """
    group = np.floor(fields.depth).astype(np.int64) * BANDS + fields.band
    scattered = fields.place * ((np.sqrt(5) - 1) / 2) % 1
    order = np.lexsort((scattered, group))
    ranked = group[order]
    first = np.searchsorted(ranked, ranked)  # where each one's group begins
    kept: IntArray = np.sort(order[np.arange(len(order)) - first < most])
    return kept


def too_little(details: tuple[Detail, ...]) -> str | None:
    """Why a stack holds nothing to go by, if so, in words that go on after "cannot tell, because".

    The finest band in which there is detail decides: haze and coarse detail are alike in all things.
    """
    for detail, least in zip(details, _FOLLOWING, strict=True):
        if detail.count >= FEWEST_FIELDS:
            if detail.following >= least:
                return None
            return (
                f"only {detail.following:.0%} of the fields with detail rise and fall once: "
                "there is detail at several depths behind one another, or hardly any"
            )
    return NO_DETAIL
