"""A value with its standard uncertainty, and how uncertainties pass through a formula."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

LEVEL = 0.95
"""Share of all calibrations whose interval holds the truth."""

_NUDGE = 1e-3  # of a standard error: small enough for a straight line, far above the noise of doubles


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """A measured value.

    Parameters
    ----------
    value : float
        In the unit of whatever it is.
    standard_error : float
        One standard deviation of it, same unit.
    freedom : float
        Degrees of freedom behind the standard error; infinite where it was stated and not found from scatter.
    """

    value: float
    standard_error: float = 0.0
    freedom: float = math.inf

    @property
    def margin(self) -> float:
        """Half the width of the interval at `LEVEL`, by Student's t."""
        from scipy.special import ndtri, stdtrit

        upper = (1 + LEVEL) / 2
        factor = ndtri(upper) if math.isinf(self.freedom) else stdtrit(self.freedom, upper)
        return float(factor) * self.standard_error

    @property
    def interval(self) -> tuple[float, float]:
        """Bounds that hold the truth in 95 of 100 calibrations."""
        return self.value - self.margin, self.value + self.margin


def from_readings(readings: Sequence[float], *, stated_error: float) -> Estimate:
    """The mean of repeated readings.

    Parameters
    ----------
    readings : sequence of float
        One at least.
    stated_error : float
        Standard deviation of one reading, used where the readings show no scatter.
    """
    count = len(readings)
    mean = math.fsum(readings) / count
    squares = math.fsum((reading - mean) ** 2 for reading in readings)
    if squares == 0:  # a single one, or readings that agree to the last digit and may still be wrong together
        return Estimate(value=mean, standard_error=stated_error)
    return Estimate(value=mean, standard_error=math.sqrt(squares / (count - 1) / count), freedom=count - 1)


def spread(deviation: float, freedom: int) -> Estimate:
    """A standard deviation that was found from readings, with an interval of its own.

    Parameters
    ----------
    deviation : float
        Root of the sum of squares over `freedom`.
    freedom : int
        Degrees of freedom behind it; 4 at least.

    Notes
    -----
    With normal scatter, freedom deviation^2/true^2 is a chi squared. The margin a, as a share, is the one for which
    deviation (1 - a) to deviation (1 + a) holds the truth at `LEVEL`.
    """
    from scipy.optimize import brentq
    from scipy.special import chdtr

    def too_many(share: float) -> float:
        low, high = freedom / (1 + share) ** 2, freedom / max(1 - share, 1e-6) ** 2
        return float(chdtr(freedom, high) - chdtr(freedom, low)) - LEVEL

    share = brentq(too_many, 1e-3, 10.0)
    unit = Estimate(value=deviation, standard_error=1.0, freedom=float(freedom))
    return Estimate(value=deviation, standard_error=share * deviation / unit.margin, freedom=float(freedom))


def propagated(formula: Callable[..., float], *inputs: Estimate) -> Estimate:
    """The value of a formula of independent estimates.

    Parameters
    ----------
    formula : callable
        Takes one float an input.
    *inputs : Estimate
        What it is computed from.

    Notes
    -----
    Law of propagation of uncertainty, and the degrees of freedom by Welch and Satterthwaite:

        u^2 = sum (df/dx_i u_i)^2                            (Eq. 10 of [1]_)
        nu = u^4 / sum ((df/dx_i u_i)^4 / nu_i)              (Eq. G.2b of [1]_)

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement.
    """
    values = [one.value for one in inputs]
    shares = []
    for place, one in enumerate(inputs):
        nudge = _NUDGE * one.standard_error
        if nudge == 0:
            shares.append(0.0)
            continue
        above, below = list(values), list(values)
        above[place] += nudge
        below[place] -= nudge
        shares.append((formula(*above) - formula(*below)) / (2 * _NUDGE))
    error = math.hypot(*shares)
    spread = math.fsum(share**4 / one.freedom for share, one in zip(shares, inputs, strict=True))
    return Estimate(value=formula(*values), standard_error=error, freedom=error**4 / spread if spread > 0 else math.inf)


def with_relative_error(one: Estimate, share: float) -> Estimate:
    """The same value, uncertain by another, independent share of it as well."""
    return propagated(lambda value, factor: value * factor, one, Estimate(value=1.0, standard_error=share))


def solved(formula: Callable[[float], float], wanted: Estimate, low: float, high: float) -> Estimate | None:
    """The value between two positive bounds for which a formula gives what is wanted; None where none does.

    Parameters
    ----------
    formula : callable
        Rising or falling all the way.
    wanted : Estimate
        What it shall give; its uncertainty passes to the value.
    low, high : float
        Bounds, above 0.
    """
    from scipy.optimize import brentq

    def value(result: float) -> float:
        return math.exp(brentq(lambda log: formula(math.exp(log)) - result, math.log(low), math.log(high), xtol=1e-10))

    try:
        return propagated(value, wanted)
    except ValueError:  # both bounds are on one side of it
        return None


def rounded(value: float, standard_error: float) -> float:
    """A value to a tenth of its standard error: what rounding adds is nothing beside it."""
    if standard_error <= 0:
        return value
    return round(value, 1 - math.floor(math.log10(standard_error)))


def rounded_up(value: float, digits: int = 2) -> float:
    """A positive bound to a few significant digits, never below itself."""
    if value <= 0:
        return 0.0
    decimals = digits - 1 - math.floor(math.log10(value))
    nearest = round(value, decimals)
    return nearest if nearest >= value else round(nearest + 10.0**-decimals, decimals)
