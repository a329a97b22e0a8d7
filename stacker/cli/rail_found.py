"""What a camera across a rail found, in figures for its profile and in sentences for a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stacker.figures import significant, spans

if TYPE_CHECKING:
    from stacker.calibrating.across import RailFound
    from stacker.calibrating.estimate import Estimate
    from stacker.documents.rail_profile import RailProfile
    from stacker.pixels.travel import Travel

_UNEVEN = 2.0  # times the scatter of arrivals, and it is the screw that has more errors
_UNIFORM = 3**0.5  # bound of an evenly spread error over its root mean square: what microstep_error is taken for


def written_backlash(backlash: Estimate) -> float:
    """What goes into the profile; not clear of 0, the take-up must cover what it may be."""
    from stacker.calibrating.estimate import rounded, rounded_up

    if backlash.value > backlash.margin:
        return rounded(backlash.value, backlash.standard_error)
    return rounded_up(abs(backlash.value) + backlash.margin)


def _microstep_error(found: RailFound, profile: RailProfile) -> Estimate | None:
    """As the profile has it: the bound of an evenly spread error, as a share of a full step."""
    from stacker.calibrating.estimate import Estimate, propagated

    if found.microstep_um is None:
        return None
    full_step_um = profile.microstep_um * profile.microsteps_per_full_step
    return propagated(lambda rms, step: _UNIFORM * rms / step, found.microstep_um, Estimate(value=full_step_um))


def lines_of(found: RailFound, profile: RailProfile) -> dict[str, float]:
    """Keys of the profile; where a value is not clear, the most that it may be."""
    from stacker.calibrating.estimate import rounded, rounded_up

    lead, periodic = found.lead_mm, found.periodic_um
    lines = {
        "lead_mm": rounded(lead.value, lead.standard_error),
        "lead_error": rounded_up(found.lead_error),
        "periodic_error_um": rounded(periodic.value, periodic.standard_error),
        "backlash_um": written_backlash(found.backlash_um),
        "repeatability_um": rounded_up(found.repeatability_um.value),
    }
    motor = _microstep_error(found, profile)
    if motor is not None:
        clear = motor.value > motor.margin
        share = rounded(motor.value, motor.standard_error) if clear else rounded_up(motor.value + motor.margin)
        lines["microstep_error"] = share
    if found.settling is not None:
        settle = found.settling.settle_s
        lines["settle_s"] = rounded_up(found.settling.soonest_s if settle is None else settle.value + settle.margin)
    return lines


def estimates_of(found: RailFound, profile: RailProfile) -> dict[str, Estimate]:
    """What was found, by name."""
    out = {
        "lead_mm": found.lead_mm,
        "periodic_error_um": found.periodic_um,
        "backlash_um": found.backlash_um,
        "repeatability_um": found.repeatability_um,
    }
    if (motor := _microstep_error(found, profile)) is not None:
        out["microstep_error"] = motor
    if found.settling is not None and found.settling.settle_s is not None:
        out["settle_s"] = found.settling.settle_s
    return out


def words_of(found: RailFound, still_um: float) -> dict[str, str]:
    """What each of them is."""
    return {
        "lead_mm": f"lead, mm ({1000 * found.screw.lead_deviation.value:+.3g} um a millimetre against the profile)",
        "periodic_error_um": "periodic error of the screw (amplitude), um",
        "backlash_um": "backlash, um",
        "repeatability_um": "repeatability (standard deviation of an arrival), um",
        "microstep_error": "error within the motor's full step, as a share of it",
        "settle_s": f"s from the end of a move until the swing is under {still_um:g} um",
    }


def facts_of(found: RailFound, travel: Travel, scale: Estimate) -> dict[str, Any]:
    """What else a program may want to know."""
    return {
        "pictures": len(travel.along_px),
        "unreadable": found.lost,
        "um_per_pixel": scale.value,
        "um_per_pixel_margin_95": scale.margin,
        "reading_error_um": travel.error_px * scale.value,
        "way_deg": travel.degrees,
        "screw_scatter_um": found.screw.scatter_um,
        "far_off": list(found.screw.outliers),
        "soonest_s": None if found.settling is None else found.settling.soonest_s,
    }


def sentences_of(found: RailFound, travel: Travel, scale: Estimate, *, exact: bool) -> list[str]:
    """The same for a person, and what no picture shows."""
    count = len(travel.along_px)
    said = [
        f"{count - found.lost} of {count} pictures were read, each to about "
        f"{significant(travel.error_px * scale.value, 2)} um at {significant(scale.value)} um a pixel; the way lies "
        f"{abs(travel.degrees):.1f} degrees from the rows of the picture."
    ]
    if exact:
        said.append(
            "The scale is taken as exact: the lead is as good as --um-per-pixel, and no picture shows how good."
        )
    else:
        said.append(
            f"The ruler is taken to be right to {scale.standard_error / scale.value:.2%} over the length seen "
            "(--ruler-error-mm), and to lie in the plane of the target, along the rail: no picture of it shows that."
        )
    if found.backlash_um.value <= found.backlash_um.margin:
        said.append("The backlash cannot be told from zero: the most that it may be is used.")
    if found.screw.scatter_um > _UNEVEN * found.repeatability_um.value:
        said.append(
            f"Lead and one sine a turn leave {significant(found.screw.scatter_um, 2)} um (standard deviation) along "
            "the screw, more than arrivals scatter: the screw has other errors too, or the target is not flat. No key "
            "of the profile holds that."
        )
    if found.screw.outliers:
        said.append(f"Exposure {spans(found.screw.outliers)} lies far from the fit: look at its picture.")
    if found.settling is not None and found.settling.settle_s is None:
        said.append(
            f"No shaking was seen from {found.settling.soonest_s:.2g} s after a move on; sooner no picture was taken."
        )
    if found.microstep_um is None:
        said.append("The motor's own error was not measured: its driver makes too few microsteps for that.")
    return said
