"""How much fine contrast frames of one flat, finely textured target share: cross-spectra in a ring of frequencies.

Noise of one frame is not in another: products of two frames hold the target's contrast alone.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from stacker.pixels.shift import FloatArray, slope_of

IntArray: TypeAlias = NDArray[np.int64]

_RING = 0.12  # half width of the ring, as a share of its frequency
_NEIGHBOURS = 3  # frames whose products are taken: farther apart one of them is hardly sharp


def pairs_of(count: int) -> IntArray:
    """Pairs of frames, each with those one to three on, shape (pairs, 2)."""
    return np.array([(i, i + d) for d in range(1, _NEIGHBOURS + 1) for i in range(count - d)], dtype=np.int64)


def shared_contrast(tiles: FloatArray, pairs: IntArray, frequencies: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Products of the fine contrast of pairs of frames at one place.

    Parameters
    ----------
    tiles : ndarray, shape (frames, n, n)
        One place of the picture in each frame.
    pairs : ndarray of int, shape (pairs, 2)
        Which frames.
    frequencies : ndarray, shape (rings,)
        Middles of the rings [cycles a pixel].

    Returns
    -------
    products : ndarray, shape (rings, pairs)
        Mean over each ring of one frame's spectrum times the other's, shift between them taken out: the contrast of the
        one times that of the other times the target's power. Signed: negative where one of them is reversed.
    own : ndarray, shape (rings, frames)
        Mean power of each frame, noise included.
    """
    size = tiles.shape[1]
    window = np.hanning(size + 2)[1:-1]
    level = tiles.mean(axis=(1, 2), keepdims=True)
    spectra = np.fft.fft2((tiles / level - 1) * (window[:, None] * window))
    nu = np.fft.fftfreq(size).astype(np.float64)
    radius: FloatArray = np.hypot(nu[:, None], nu)
    rings = [np.abs(radius / frequency - 1) < _RING for frequency in frequencies]
    products = np.empty((len(rings), len(pairs)))
    for place, (one, other) in enumerate(pairs):
        cross = spectra[one] * spectra[other].conj()
        shift = slope_of(cross)
        turned = cross * np.exp(2j * np.pi * (nu[:, None] * shift[0] + nu * shift[1]))
        products[:, place] = [turned[ring].real.mean() for ring in rings]
    own = np.array([[np.mean(np.abs(spectrum[ring]) ** 2) for spectrum in spectra] for ring in rings])
    return products, own
