"""What a person must know before the first frame."""

from __future__ import annotations

import math
from collections.abc import Iterator

from stacker.documents.plan import Warned
from stacker.documents.rail_profile import HandRail, RailProfile, gap_causes
from stacker.documents.rigs import RingRig
from stacker.figures import chance, shutter_time, significant
from stacker.planning.aberrations import aberrations
from stacker.planning.contradictions import contradictions
from stacker.planning.draft import Draft, front_exposure_s
from stacker.planning.gap_risk import LARGEST_OVERLAP, RISK_WORTH_A_WARNING
from stacker.planning.overlap import overlap_for_rail
from stacker.planning.panels import has_panels
from stacker.planning.storage import frames_per_card, raw_gb

# Where a mechanical shutter's shock shows under continuous light at life size: common practice, no source.
_SHOCK_S = (1 / 60, 1.0)
_FLASH_SYNC_S = 1 / 250  # common practice, no source
_HIGH_NA = 0.5
_SHOWS_MORE = 1.02  # a fiftieth is less than anybody sees: common practice, no source
_ALMOST_SURE = 0.99
_LIKELY = 0.5
_SCATTERS_UM = (1, 2, 5)  # of rails that people have: common practice, no source


def warnings_of(draft: Draft) -> tuple[Warned, ...]:
    """All warnings of a plan, each with its numbers."""
    found = (
        *(("contradiction", text) for text in contradictions(draft.request)),
        *_of_the_optics(draft),
        *(("spherical_aberration", text) for text in aberrations(draft)),
        *_of_the_light(draft),
        *_of_the_flash(draft),
        *_of_the_card(draft),
        *_of_the_rail(draft),
    )
    return tuple(Warned(code=code, text=text) for code, text in found)


def _of_the_optics(draft: Draft) -> Iterator[tuple[str, str]]:
    imaging, request = draft.imaging, draft.request
    width_mm = request.subject.width_mm
    usable_mm = draft.field_mm[0] * (1 - (draft.edge_loss or 0.0))
    if width_mm is not None and width_mm > usable_mm and not has_panels(draft):
        yield (
            "field_too_small",
            f"the subject is {significant(width_mm)} mm wide, the picture shows {significant(usable_mm)} mm of it once "
            "all frames are scaled alike; use less magnification, or write subject.height_mm too for panels side by "
            "side",
        )
    yield from _diffraction(draft)
    if imaging.magnification > 1 and imaging.working_distance_mm is None:
        yield (
            "working_distance_unknown",
            f"at {imaging.magnification:.3g}x the rim of the lens comes close to the subject, and how close is not "
            "known: measure it and write rig.working_distance_mm",
        )
    if imaging.object_na > _HIGH_NA:
        yield (
            "high_na",
            f"NA {imaging.object_na:.2g}: polarisation and apodisation are not modelled, nor is the lens's correction "
            "for cover glass; the defocus is, and errs on the thin side: ask for more seam contrast than you need",
        )
    if request.focus.model in ("blur_circle", "sum"):
        yield (
            "other_model",
            f"the model {request.focus.model} drives this plan; its worst seam keeps "
            f"{_share(draft)} of the contrast in focus: compare with model contrast",
        )


def _diffraction(draft: Draft) -> Iterator[tuple[str, str]]:
    """Where opening up, as far as the lens goes, would show more."""
    limit, marked, rig = draft.diffraction_f_number, draft.imaging.f_number, draft.request.rig
    if limit is None or marked is None or not isinstance(rig, RingRig):
        return
    open_to = max(limit, rig.widest_f_number or 0.0)
    opened_um = draft.detail_at_um(open_to / marked)
    if marked <= open_to or draft.finest_detail_um <= opened_um * _SHOWS_MORE:
        return
    ring = "" if rig.widest_f_number is not None else ", if the lens opens so far"
    yield (
        "diffraction",
        f"at marked f/{marked:.3g} diffraction coarsens the finest detail to {significant(draft.finest_detail_um)} um: "
        f"open up towards f/{open_to:.2g}{ring}, where it is {significant(opened_um)} um",
    )


def _share(draft: Draft) -> str:
    return "all" if draft.softest_seam is None else f"{draft.softest_seam:.0%}"


def _of_the_light(draft: Draft) -> Iterator[tuple[str, str]]:
    light, shutter = draft.request.light, draft.request.camera.shutter
    if light is None:
        return
    exposure_s = front_exposure_s(light, draft.imaging)
    low_s, high_s = shock_range_s(draft.imaging.magnification)
    if light.kind == "continuous" and shutter == "mechanical" and low_s <= exposure_s <= high_s:
        yield (
            "shutter_shock",
            f"{shutter_time(exposure_s)} of continuous light with a mechanical shutter: at "
            f"{draft.imaging.magnification:.3g}x its shock shows from {shutter_time(low_s)} to {shutter_time(high_s)}; "
            "use an electronic first curtain",
        )
    if light.kind == "flash" and shutter in ("mechanical", "electronic_first_curtain") and exposure_s < _FLASH_SYNC_S:
        yield (
            "flash_sync",
            f"a flash with a shutter time of {shutter_time(exposure_s)}: few shutters are fully open for less than "
            f"{shutter_time(_FLASH_SYNC_S)}, and part of the frame stays dark; use the flash time of your camera",
        )
    if light.kind == "flash" and shutter == "electronic":
        yield (
            "flash_electronic",
            "a flash with an electronic shutter: most of these are read line by line and show a lit band only; use the "
            "mechanical shutter or an electronic first curtain",
        )
    if draft.request.moves == "subject" and not light.moves_with_subject:
        yield (
            "light_stays",
            "the subject moves and the light does not: shadows wander from frame to frame; fix the lamps to the stage "
            "and write light.moves_with_subject: true, or move the camera",
        )


def shock_range_s(magnification: float) -> tuple[float, float]:
    """Exposures in which a mechanical shutter's shock shows: at life size these, wider as more is magnified.

    The shock moves camera against subject by so many um, whatever the magnification; on the sensor that is m times
    as many. So it shows from exposures on that are m times shorter; and since it dies away exponentially, it takes
    longer by the logarithm of m until it is too small to be seen.
    """
    low_s, high_s = _SHOCK_S
    return low_s / magnification, max(high_s * (1 + math.log(magnification)), 0.0)


def _of_the_flash(draft: Draft) -> Iterator[tuple[str, str]]:
    light, frames = draft.request.light, draft.planes.frame_count
    if light is None or light.flashes_a_charge is None or light.flashes_a_charge >= frames:
        return
    yield (
        "flash_charge",
        f"the flash is empty after frame {light.flashes_a_charge} of {frames}: changing its batteries in the middle of "
        "the stack moves light and set; use less power, a supply from the mains, or two stacks that overlap",
    )


def _of_the_card(draft: Draft) -> Iterator[tuple[str, str]]:
    camera, frames = draft.request.camera, draft.planes.frame_count
    if camera.raw_mb is None or camera.card_gb is None:
        return
    pictures = draft.request.pictures_a_frame
    fit = frames_per_card(raw_mb=camera.raw_mb, card_gb=camera.card_gb) // pictures
    if fit < frames:
        whole_gb = raw_gb(frames=frames * pictures, raw_mb=camera.raw_mb)
        yield (
            "card_change",
            f"an empty card of {camera.card_gb:g} GB is full after frame {fit} of {frames}: changing it touches the "
            f"camera in the middle of the stack; use one of {significant(whole_gb)} GB or more, or two stacks that "
            "overlap",
        )


def _of_the_rail(draft: Draft) -> Iterator[tuple[str, str]]:
    rail, planes = draft.rail, draft.planes
    if rail is None:
        return
    profile = rail.profile
    if isinstance(profile, RailProfile) and planes.frame_count > 1:
        smallest = int(planes.step_microsteps.min())
        if smallest < profile.min_step_microsteps:
            yield (
                "coarse_microsteps",
                f"the smallest step is {smallest} microsteps of {rail.microstep_um:.3g} um, fewer than "
                f"{profile.min_step_microsteps}; a single microstep is not exact under load: use a finer lead or a "
                "reduction",
            )
    if draft.gap_risk is None:
        yield "repeatability_unknown", _unknown_text(draft, profile)
    elif draft.gap_risk > RISK_WORTH_A_WARNING:
        yield "gap_risk", _gap_text(draft, draft.gap_risk, profile)


def _unknown_text(draft: Draft, profile: RailProfile | HandRail) -> str:
    risks = [draft.gap_risk_at(profile.scatter_with_um(one_um)) for one_um in _SCATTERS_UM]
    cases = ", ".join(f"at {one_um} um it is {chance(risk)}" for one_um, risk in zip(_SCATTERS_UM, risks, strict=True))
    return (
        "how well the rail repeats is not known, nor is the chance that some seam falls short: "
        f"{cases}; measure it ('stacker calibrate rail') and write rail.repeatability_um"
    )


def _how_soft(draft: Draft, risk: float) -> str:
    """Where a soft seam is more likely than not: how many, and how soft the softest."""
    soft, keeps = draft.soft_seams, draft.softest_scattered
    if risk <= _LIKELY or soft is None or keeps is None:
        return ""
    left = f"{keeps:.0%} of the contrast" if keeps > 0 else "none of the contrast, detail is reversed there"
    return f"about {max(round(soft.short), 1)} of {soft.pairs} seams will, and the softest will keep about {left}; "


def _gap_text(draft: Draft, risk: float, profile: RailProfile | HandRail) -> str:
    likely = "almost surely" if risk > _ALMOST_SURE else f"with probability {risk:.2g}"
    found = f"some seam will fall short {likely}, from {gap_causes(profile)}; {_how_soft(draft, risk)}"
    overlap = overlap_for_rail(draft.request)
    if overlap is not None:
        instead = "" if draft.request.focus.seam_contrast is None else " instead of seam_contrast"
        return f"{found}focus.overlap: {overlap:g}{instead} brings it down to {RISK_WORTH_A_WARNING:g}"
    better = "repeats better or has a truer screw" if profile.periodic_error_um else "repeats better"
    return f"{found}no overlap up to {LARGEST_OVERLAP:g} helps: use a rail that {better}"
