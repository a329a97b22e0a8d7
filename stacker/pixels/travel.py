"""Where a flat, finely textured target stood in each of many pictures of it, along the straight line it moves on.

Pictures are laid beside key pictures, at several places each. A tilted camera, a target that is not parallel to its
way, and a lens that bends straight lines make the shift differ from place to place; by those differences their share
is found and taken off.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stacker.errors import Refusal
from stacker.pixels.places import FEWEST_PLACES, Link, links_of
from stacker.pixels.shift import FloatArray

_OUTLIER, _NEAR_PX = 4.0, 0.1
_MAD = 1.4826  # standard deviation of a normal spread over its median absolute deviation
_MOST_DROPPED = 0.2
_MOST_APART_PX = 0.25  # rms of the places of one picture about its reading
_MOST_CROOKED = 0.02  # of the travel
_LEAST_SPREAD = 0.08  # of the places, both ways, over the shorter side
_PRIORS = (0.05, 0.05, 0.02, 0.05)  # tilts by 10 degrees two fields away; distortion at the corner; the way's lean
_DEVELOPED = 2.0  # what developing adds is alike from place to place: errors found over errors stated (by rendering)
_LEAST_NOISE_PX = 0.005  # of one place: rendered pictures without noise are no better


@dataclass(frozen=True, kw_only=True, slots=True)
class Travel:
    """What was found of each picture; pictures that could not be read are NaN.

    Parameters
    ----------
    along_px : ndarray, shape (n,)
        Position along the way, in pixels of the picture's centre with the target at mid-way, rising with the order
        in which the pictures came [px].
    error_px : float
        Standard error of one position against its key picture [px].
    scale_error : float
        Standard error of the whole way, as a share: tilts and distortion are taken off no better than that [-].
    degrees : float
        From the rows of the picture to the way [degrees].
    key_count : int
        Key pictures; their errors add up along the way.
    place_count : float
        Places a picture, on average.
    """

    along_px: FloatArray
    error_px: float
    scale_error: float
    degrees: float
    key_count: int
    place_count: float


def follow(pictures: Iterable[NDArray[np.number]], *, most: float) -> Travel:
    """Positions of the target along its way.

    Parameters
    ----------
    pictures : iterable of ndarray, shape (rows, columns)
        In the order of the way, so that neighbours share most of their field; as many as like at one place. They are
        looked at one by one, and two of them are held.
    most : float
        The largest value a pixel can have.

    Raises
    ------
    Refusal
        ``sizes_differ``, ``saturated``, ``aliased``, ``no_texture``, ``no_shift`` when too few places tell; ``still``
        when nothing moved; ``not_flat`` when the places of a picture do not agree; ``crooked`` when they do not move
        along a line; ``narrow`` when they lie in one row.
    """
    links, count, shape = links_of(pictures, most)
    chain = _chained(links, count)
    direction = _direction(chain)
    turned = [_turned(link, direction) for link in links]
    use = [np.ones(len(link.middle), dtype=bool) for link in turned]
    along = chain @ direction
    rest_px = 0.02
    for _ in range(4):
        theta, covariance = _bends(turned, use, along, shape, rest_px)
        along, rests = _positions(turned, use, along, theta, shape, count)
        rest_px = _rms(rests, use)
        usual_px = _MAD * float(np.median(np.abs(np.concatenate(rests))))  # that no place which strays can widen
        use = [np.abs(rest).max(axis=1) < max(_OUTLIER * usual_px, _NEAR_PX) for rest in rests]
        use = [one if one.sum() >= FEWEST_PLACES else np.ones_like(one) for one in use]
    _refuse_disagreeing(use, rest_px)
    _refuse_narrow(turned, use, shape)
    places = [int(one.sum()) for one in use]
    way = direction if direction[1] >= 0 else -direction
    return Travel(
        along_px=along,
        error_px=_DEVELOPED * rest_px / math.sqrt(float(np.mean(places))),
        scale_error=_scale_error(turned, use, along, theta, covariance, shape),
        degrees=math.degrees(math.atan2(way[0], way[1])),
        key_count=len({link.key for link in links}),
        place_count=float(np.mean(places)),
    )


def _chained(links: Sequence[Link], count: int) -> FloatArray:
    """Positions of the pictures by the median of their places, down and across; NaN where there is none."""
    at = np.full((count, 2), np.nan)
    at[links[0].key] = 0
    for link in links:
        at[link.picture] = at[link.key] + np.median(link.shift, axis=0)
    return at


def _direction(chain: FloatArray) -> FloatArray:
    """Unit vector of the way, down and across, pointing as the pictures come."""
    seen = chain[np.isfinite(chain[:, 0])]
    away = seen - seen.mean(axis=0)
    _, size, axes = np.linalg.svd(away, full_matrices=False)
    if size[0] / math.sqrt(len(seen)) < 1:
        raise Refusal(
            "what the camera sees does not move with the rail: the textured target must ride on the carriage, and the "
            "camera look across the rail, not along it",
            code="still",
        )
    if size[1] > _MOST_CROOKED * size[0]:
        raise Refusal(
            f"the target leaves the line of its way by {size[1] / size[0]:.1%} of it: camera or target moved during "
            "the run. Fasten both, and make the run again",
            code="crooked",
        )
    direction: FloatArray = axes[0]
    return direction if away[-1] @ direction >= away[0] @ direction else -direction


def _turned(link: Link, direction: FloatArray) -> Link:
    """The same with coordinates along the way and across it."""
    turn = np.stack((direction, [direction[1], -direction[0]]), axis=1)
    return replace(link, middle=link.middle @ turn, shift=link.shift @ turn)


def _bending(link: Link, along: FloatArray, shape: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """What tilt along, tilt across, distortion and a leaning way add to the shifts of places, shape (places, 4) [px].

    Of coordinates (p, q) along and across the way, from the picture's centre, with the target at X along it, the place
    on the target is (P, Q) + (X, 0), where to first order

        P = p + k p^2 + l p q + c p r^2 + g X p,    Q = q + k p q + l q^2 + c q r^2 + g X q.

    A place that keeps (P, Q) is one of the target; so P and Q of both ends of each shift, less the way between, agree.
    """
    radius = math.hypot(*shape) / 2
    ends = []
    for side, number in ((-0.5, link.key), (0.5, link.picture)):
        p, q = ((link.middle + side * link.shift) / radius).T
        x, r2 = along[number] / radius, p**2 + q**2
        ends.append((np.stack((p * p, p * q, p * r2, x * p), axis=1), np.stack((p * q, q * q, q * r2, x * q), axis=1)))
    (p0, q0), (p1, q1) = ends
    return radius * (p1 - p0), radius * (q1 - q0)


def _bends(
    links: Sequence[Link],
    use: Sequence[NDArray[np.bool_]],
    along: FloatArray,
    shape: tuple[int, ...],
    rest_px: float,
) -> tuple[FloatArray, FloatArray]:
    """Tilts, distortion and lean of the way, from how the places of each picture differ from their mean; covariance."""
    rows, values = [], []
    of_key: dict[tuple[int, int, int], FloatArray] = defaultdict(lambda: np.zeros(len(_PRIORS)))
    for link, kept in zip(links, use, strict=True):
        for axis, terms in enumerate(_bending(link, along - np.nanmean(along), shape)):
            bends = terms[kept] - terms[kept].mean(axis=0)
            rows.append(bends)
            values.append(-(link.shift[kept, axis] - link.shift[kept, axis].mean()))
            for place, row in zip(link.number[kept], bends, strict=True):
                of_key[link.key, int(place), axis] += row
    matrix, shared = np.concatenate(rows), np.stack(list(of_key.values()))
    variance = max(rest_px, _LEAST_NOISE_PX) ** 2
    prior = np.diag(1 / np.array(_PRIORS) ** 2)
    inverse = np.linalg.inv(matrix.T @ matrix / variance + prior)
    # half of the noise is the key's, and the same for all pictures beside it
    noise = (matrix.T @ matrix + shared.T @ shared) / (2 * variance)
    return inverse @ (matrix.T @ np.concatenate(values)) / variance, inverse @ (noise + prior) @ inverse


def _scale_error(
    links: Sequence[Link],
    use: Sequence[NDArray[np.bool_]],
    along: FloatArray,
    theta: FloatArray,
    covariance: FloatArray,
    shape: tuple[int, ...],
) -> float:
    """How uncertain the length of the way is by what bends it, as a share."""
    seen = np.isfinite(along)
    away = along[seen] - along[seen].mean()
    lengths = []
    for unit in np.eye(len(theta)):
        other, _ = _positions(links, use, along, theta + unit, shape, len(along))
        lengths.append(float(away @ (other - along)[seen] / (away @ away)))
    weights = np.array(lengths)
    return _DEVELOPED * math.sqrt(float(weights @ covariance @ weights))


def _positions(
    links: Sequence[Link],
    use: Sequence[NDArray[np.bool_]],
    along: FloatArray,
    theta: FloatArray,
    shape: tuple[int, ...],
    count: int,
) -> tuple[FloatArray, list[FloatArray]]:
    """Positions along the way, and what is left of each place, along and across it."""
    centred = along - np.nanmean(along)
    at = np.full(count, np.nan)
    at[links[0].key] = 0
    rests = []
    for link, kept in zip(links, use, strict=True):
        straight = np.stack(
            [link.shift[:, axis] + terms @ theta for axis, terms in enumerate(_bending(link, centred, shape))], axis=1
        )
        mean = straight[kept].mean(axis=0)
        at[link.picture] = at[link.key] + mean[0]
        rests.append(straight - mean)
    return at, rests


def _rms(rests: Sequence[FloatArray], use: Sequence[NDArray[np.bool_]]) -> float:
    """Scatter of a place along the way about its picture's mean, which takes one degree of freedom a picture."""
    squares = sum(float(np.sum(rest[kept, 0] ** 2)) for rest, kept in zip(rests, use, strict=True))
    freedom = sum(int(kept.sum()) - 1 for kept in use)
    return math.sqrt(squares / max(1, freedom))


def _refuse_narrow(links: Sequence[Link], use: Sequence[NDArray[np.bool_]], shape: tuple[int, ...]) -> None:
    """Refuse places in one row: a target that leans to its way and a tilted camera are told apart by their spread."""
    middles = np.concatenate([link.middle[kept] for link, kept in zip(links, use, strict=True)])
    if middles.std(axis=0).min() < _LEAST_SPREAD * min(shape):
        raise Refusal(
            "the grain is seen in a narrow strip of the picture alone, or the picture is small: then the tilt of the "
            "camera cannot be taken off. Let something flat and finely grained fill the whole picture",
            code="narrow",
        )


def _refuse_disagreeing(use: Sequence[NDArray[np.bool_]], rest_px: float) -> None:
    dropped = 1 - sum(int(kept.sum()) for kept in use) / sum(len(kept) for kept in use)
    if dropped > _MOST_DROPPED or rest_px > _MOST_APART_PX:
        raise Refusal(
            f"places of one picture differ by {rest_px:.2f} px rms, and {dropped:.0%} of them by much more: the target "
            "must be flat, fill the picture, and nothing that stands still may be seen before or beside it",
            code="not_flat",
        )
