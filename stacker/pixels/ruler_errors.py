"""How far the spacing of a ruler's lines may be off, by how lines, rows of pixels and cells stray from the fit."""

from __future__ import annotations

import math

import numpy as np

from stacker.pixels.comb import FloatArray
from stacker.pixels.lines import Lines


def slope_error(along: FloatArray, residual: FloatArray, lines: Lines) -> tuple[float, float, float]:
    """Standard error of the gradient at the centre [lines a pixel], its degrees of freedom, scatter of a line."""
    columns = np.stack((np.ones_like(along), along, along**2, along**3), axis=1)
    scale = np.abs(columns).max(axis=0)
    columns = columns / scale
    rest = residual - columns @ np.linalg.lstsq(columns, residual, rcond=None)[0]
    freedom = len(along) - columns.shape[1]
    variance = max(float(rest @ rest) / freedom, 1e-12)
    k = float(np.hypot(*lines.gradient))
    known = np.diag([0.0, 0.0, *(variance / (k * np.array(lines.priors) * scale[2:]) ** 2)])
    covariance = variance * np.linalg.inv(columns.T @ columns + known)
    return math.sqrt(covariance[1, 1]) / float(scale[1]), float(freedom), math.sqrt(variance)


def error_of_rows(lines: Lines) -> float:
    """Relative standard error of the gradient at the picture's centre by what cells, and whole rows of them, stray.

    A ruler far from the centre is extrapolated, by how its lines fan out. Colour sites and the blocks of a JPEG push a
    whole row of cells one way; over few rows that turns all lines alike, which their scatter does not show. The
    variance of least squares with errors alike in groups (A. C. Cameron, J. B. Gelbach and D. L. Miller, J. Business
    and Economic Statistics 29, 238-249, 2011; from memory).
    """
    strip, window = np.nonzero(lines.valid)
    x, y, rest = lines.x[strip, window], lines.y[strip], lines.residual[strip, window]
    plane = lines.gradient[0] * x + lines.gradient[1] * y
    columns = np.stack((np.ones_like(x), x, y, plane * (x**2 + y**2), plane * x, plane * y), axis=1)
    scale = np.abs(columns).max(axis=0) + 1e-12
    columns = columns / scale
    lean, distortion = lines.priors
    variance = float(np.mean(rest**2)) + 1e-9
    known = variance / (scale[3:] * np.array([distortion, lean, lean])) ** 2
    inverse = np.linalg.inv(columns.T @ columns + np.diag([0.0, 0.0, 0.0, *known]))
    wanted = np.array(lines.gradient) / np.hypot(*lines.gradient) ** 2 / scale[1:3]
    pull = (columns @ (inverse[:, 1:3] @ wanted)) * rest
    rows = np.bincount(strip, weights=pull)
    count = len(np.unique(strip))
    alike = max(0.0, float(rows @ rows) * count / (count - 1) - float(pull @ pull))
    return math.sqrt(alike + variance * float(wanted @ inverse[1:3, 1:3] @ wanted))


def rotation_error(lines: Lines, k: float) -> float:
    """Standard error of the rotation [rad], from how the lines' own slopes scatter."""
    strip, window = np.nonzero(lines.valid)
    number = np.rint(lines.model[strip, window]).astype(np.int64)
    slopes = []
    for one in np.unique(number):
        y, rest = lines.y[strip[number == one]], lines.residual[strip, window][number == one]
        if len(y) > 2:
            away = y - y.mean()
            slopes.append(float(away @ rest / (away @ away)) if np.ptp(y) else 0.0)
    return float(np.std(slopes)) / math.sqrt(max(1, len(slopes))) / k
