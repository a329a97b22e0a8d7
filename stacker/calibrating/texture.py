"""A lens measured by a flat, finely textured target: the width of its slice, the shape of its field."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stacker.calibrating.estimate import Estimate
from stacker.calibrating.focus_curve import FloatArray, FocusCurve, IntArray, Shape, fit_focus_curve
from stacker.calibrating.lens import LensFound, Told, f_number_of, lens_found, refuse_few, refuse_run, width_um
from stacker.errors import Refusal
from stacker.pixels.texture import pairs_of, shared_contrast

RING = 0.2
"""Cycles a pixel at which a texture is measured: finer detail comes aliased into a developed picture (by rendering)."""
FEWEST_TILES = 8

_RINGS = (1.0, 0.5, 2.0)  # what is measured, the coarser detail that tells aberrations, and what must be missing
_OF_TARGET = 0.8  # finer than this share of what the system resolves hardly any contrast is left
_ROWS, _COLUMNS = 5, 7
_COHERENT = 0.5  # of the power of the sharpest pair that is not noise
_FINE_GRAIN = 0.12  # of the power that a grain without limit would leave at twice the ring, were nothing developed
_BLURRED = 0.1
_SATURATED = 0.002  # of a tile's pixels
_MOST_MARGIN = 0.05  # of the f-number, at 95 %: more, and the curve is not one of this lens
_MOST_TILT = 0.25  # of a slice, across a tile


@dataclass(frozen=True, kw_only=True, slots=True)
class Tiles:
    """Places of the picture, cut from every frame, shape (tiles, frames, n, n), with their middles.

    ``x`` and ``y`` are from -0.5 to 0.5 over the picture's width and height, ``radius2`` is 1 at its corners.
    """

    values: NDArray[np.number]
    x: FloatArray
    y: FloatArray
    radius2: FloatArray


def cut_tiles(frames: Iterable[NDArray[np.number]]) -> Tiles:
    """Cut a grid of tiles from frames as they come, so that no more than one whole frame is held.

    Raises
    ------
    Refusal
        When the frames differ in size.
    """
    cut: list[NDArray[np.number]] = []
    shape: tuple[int, ...] = ()
    tops = lefts = np.zeros(0, dtype=np.int64)
    size = 0
    for grey in frames:
        if not cut:
            shape = grey.shape
            size = 256 if min(shape) >= 5 * 256 else 128
            rows, columns = min(_ROWS, shape[0] // size), min(_COLUMNS, shape[1] // size)
            top, left = np.linspace(0, shape[0] - size, rows), np.linspace(0, shape[1] - size, columns)
            tops, lefts = (one.ravel().astype(np.int64) for one in np.meshgrid(top, left, indexing="ij"))
        if grey.shape != shape:
            raise Refusal("the pictures differ in size: give those of one run, in full size", code="sizes_differ")
        cut.append(
            np.stack([grey[top : top + size, left : left + size] for top, left in zip(tops, lefts, strict=True)])
        )
    y, x = (tops + size / 2) / shape[0] - 0.5, (lefts + size / 2) / shape[1] - 0.5
    corner = (shape[0] ** 2 + shape[1] ** 2) / 4
    radius2 = ((y * shape[0]) ** 2 + (x * shape[1]) ** 2) / corner
    return Tiles(values=np.stack(cut, axis=1), x=x, y=y, radius2=radius2)


def measure_texture(tiles: Tiles, positions_um: ArrayLike, told: Told, *, most: float) -> LensFound:
    """The width of the slice, and the shape of the field, from a flat, finely textured target.

    Parameters
    ----------
    tiles : Tiles
        Developed pictures will do: what development does to contrast is the same in every frame.
    positions_um : array_like, shape (frames,)
        Rail positions in order of depth [um].
    told : Told
    most : float
        The largest value a pixel can have.

    Raises
    ------
    Refusal
        Too few frames, no fine detail, burnt out, a target that leans, steps too coarse, a focus outside of the run,
        detail finer than the pixels take, or a curve that no lens has.
    """
    at_um = np.asarray(positions_um, dtype=np.float64)
    refuse_few(at_um)
    ring = min(RING, _OF_TARGET * told.target_per_px)
    rings = ring * np.array(_RINGS)
    pairs = pairs_of(len(at_um))
    products, good = _products(tiles, pairs, rings, most)
    fine = fit_focus_curve(
        products[:, :2],
        pairs,
        at_um,
        curves=[told.curve(ring), told.curve(rings[1], ring)],
        guess=told.effective_f_number,
    )
    refuse_run(fine, at_um, told, ring)
    _refuse_fine_grain(products, told, fine.shape, rings)
    field = _field(fine, tiles, good, told, ring)
    _refuse_curve(f_number_of(fine, told))
    return lens_found(fine, products[:, 0], pairs, at_um, told, ring, contrast=None, field=field)


def _products(tiles: Tiles, pairs: IntArray, rings: FloatArray, most: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Products of the tiles that tell, shape (tiles, rings, pairs), and which they are."""
    burnt = np.mean(tiles.values >= 0.996 * most, axis=(2, 3)).max(axis=1) > _SATURATED
    kept, good = [], np.zeros(len(tiles.values), dtype=bool)
    for place, values in enumerate(tiles.values):
        if burnt[place]:
            continue
        products, own = shared_contrast(values.astype(np.float64), pairs, rings)
        level = products[0] / np.sqrt(own[0][pairs[:, 0]] * own[0][pairs[:, 1]])
        if level.max() > _COHERENT:
            kept.append(products)
            good[place] = True
    if len(kept) < min(FEWEST_TILES, len(tiles.values)):
        why = (
            "burnt out: expose less"
            if np.mean(burnt) > 0.5
            else "without fine detail that stands out from the noise: take something finely grained, lit from the side"
        )
        raise Refusal(
            f"of {len(tiles.values)} places in the picture {len(tiles.values) - len(kept)} are of no use, most {why}",
            code="saturated" if np.mean(burnt) > 0.5 else "no_texture",
        )
    return np.stack(kept), good


def _refuse_fine_grain(products: FloatArray, told: Told, shape: Shape, rings: FloatArray) -> None:
    """Refuse a grain of which so much is left at twice the ring that there must be more beyond what pixels take.

    What lies beyond comes back aliased, is blurred sooner than the ring, and makes the f-number look smaller: by 2 to
    6 % with a grain as fine as the pixels, in rendered pictures. Sharpened pictures are refused sooner.
    """
    passed = [told.in_focus(nu, shape) for nu in (rings[0], rings[2])]
    if passed[1] < _BLURRED:
        return  # the lens shows nothing so fine
    sharpest = np.argmax(products[:, 0], axis=1)
    tiles = np.arange(len(products))
    ratio = float(np.median(products[tiles, 2, sharpest] / products[tiles, 0, sharpest]))
    if ratio > _FINE_GRAIN * (passed[1] / passed[0]) ** 2:
        raise Refusal(
            "cannot tell: the grain is about as fine as the pixels, and what they cannot take comes back as something "
            "coarser. Take a grain of three pixels or more, unsharpened pictures, or a slanted edge (--edge)",
            code="aliased",
        )


def _field(
    curve: FocusCurve, tiles: Tiles, good: NDArray[np.bool_], told: Told, per_px: float
) -> tuple[float, Estimate, tuple[float, float]]:
    """Focus at the centre, curvature at the corners, tilt, from where each tile is sharpest."""
    x, y, radius2 = tiles.x[good], tiles.y[good], tiles.radius2[good]
    columns = np.stack((np.ones_like(x), x, y, radius2), axis=1)
    use = np.ones(len(x), dtype=bool)
    for _ in range(3):  # dust and scratches lie elsewhere in depth
        solution, *_ = np.linalg.lstsq(columns[use], curve.focus_um[use], rcond=None)
        rest = curve.focus_um - columns @ solution
        use = np.abs(rest) <= 4 * max(float(np.median(np.abs(rest[use]))) * 1.48, 1e-6)
    freedom = max(1, int(use.sum()) - 4)
    variance = float(rest[use] @ rest[use]) / freedom
    covariance = variance * np.linalg.pinv(columns[use].T @ columns[use])
    slice_um = width_um(told, curve.shape.f_number, per_px)
    size_x, size_y = (1 / max(1, len(np.unique(one)) - 1) for one in (tiles.x, tiles.y))
    across = abs(solution[1]) * min(size_x, 0.2) + abs(solution[2]) * min(size_y, 0.2)
    if across > _MOST_TILT * slice_um:
        raise Refusal(
            f"the target leans: its right side is sharp {solution[1]:+.3g} um and its lower side {solution[2]:+.3g} um "
            f"deeper, and a slice is {slice_um:.3g} um there. Lay it square: a mirror in its place must show the lens "
            "in the middle",
            code="leaning",
        )
    # a place that is sharp at a position farther in is one on which the plane of focus does not reach as deep
    curvature = Estimate(value=-float(solution[3]), standard_error=math.sqrt(covariance[3, 3]), freedom=float(freedom))
    return float(solution[0]), curvature, (float(solution[1]), float(solution[2]))


def _refuse_curve(f_number: Estimate) -> None:
    margin = f_number.margin / f_number.value
    if margin > _MOST_MARGIN:
        raise Refusal(
            "cannot tell: contrast does not rise and fall as through a lens in even steps, which leaves the f-number "
            f"uncertain by {margin:.0%}. The lens has other faults than spherical aberration, the rail is uneven, or "
            "the detail too faint: measure by a slanted edge (--edge)",
            code="unlike",
        )
