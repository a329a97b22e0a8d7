"""``stacker calibrate rail --across``: what a rail does, by the pictures of a camera that looks across it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from stacker.cli.calibrated import show_calibration
from stacker.cli.numbers import ABOVE_0, FROM_0
from stacker.cli.output import note
from stacker.errors import Refusal
from stacker.figures import as_typed, spans

if TYPE_CHECKING:
    from stacker.calibrating.across import RailFound, Seen
    from stacker.calibrating.estimate import Estimate
    from stacker.documents.measuring_run import MeasureStop
    from stacker.documents.rail_profile import RailProfile
    from stacker.pixels.travel import Travel

Function = TypeVar("Function", bound=Callable[..., Any])

_STILL_UM = 0.5
_FROZEN_S = 0.01  # a swing of 50 Hz goes through half a turn in it
_BLURRED = (
    "The settling time was not measured: the shutter was open for {:g} s, in which a swing averages out. Take a flash, "
    "and --exposure-s as short as it allows."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Output:
    """Where the result goes."""

    picture: Path | None
    write: bool
    as_json: bool
    quiet: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """The options of the command, as given."""

    across: Path
    journal: Path | None
    ruler: Path | None
    line_mm: float | None
    ruler_error_mm: float | None
    um_per_pixel: float | None
    still_um: float | None
    request: Path | None


@dataclass(frozen=True, kw_only=True, slots=True)
class _Exposures:
    """A measuring run as its journal tells it, by number."""

    stops: dict[int, MeasureStop]
    delay_s: dict[int, float]
    origin: int  # the rail's position of the stops' 0 [microsteps]
    exposure_s: float


def across_options(function: Function) -> Function:
    """Add the options of this way to measure."""
    path = click.Path(path_type=Path)
    options = (
        click.option(
            "--across", type=path, metavar="FOLDER", help="Pictures of a measuring run, taken across the rail."
        ),
        click.option("--journal", type=click.Path(path_type=Path, exists=True, dir_okay=False), help="Of that run."),
        click.option("--ruler", type=path, metavar="PICTURE", help="A ruler in the target's place, same camera."),
        click.option("--line-mm", type=ABOVE_0, help="From one of its finest lines to the next."),
        click.option(
            "--ruler-error-mm", type=FROM_0, help="Error of the ruler over the length seen; 0.02 unless given."
        ),
        click.option("--um-per-pixel", type=ABOVE_0, help="Or the scale, taken as exact."),
        click.option("--still-um", type=ABOVE_0, help="Swing that counts as settled; 0.5 unless given."),
        click.option("--request", type=path, help="Tell what it does to the frames of this request's plan."),
    )
    for option in reversed(options):
        function = option(function)
    return function


def measure_across(profile_path: Path, asked: Asked, output: Output) -> None:
    """Measure, tell, draw and write."""
    from stacker.calibrating.across import FULL_STEPS_A_CYCLE, measure_rail
    from stacker.calibrating.estimate import with_relative_error
    from stacker.cli.pictures_of import compare_settings, pictures_of_exposures
    from stacker.cli.rail_common import profile_of
    from stacker.cli.rail_found import estimates_of, facts_of, lines_of, sentences_of, words_of
    from stacker.documents.loading import load_rail

    _refuse_lacking(asked)
    assert asked.journal is not None
    profile = profile_of(profile_path)
    exposures = _exposures(asked.journal)
    still_um, frozen = asked.still_um or _STILL_UM, exposures.exposure_s <= _FROZEN_S
    pictures = pictures_of_exposures(asked.across, asked.journal, len(exposures.stops))
    order = sorted(pictures, key=lambda frame: (exposures.stops[frame].position, frame))
    unsaid = compare_settings([pictures[frame] for frame in order])
    shape, most = _kind_of(pictures[order[0]])
    told = _scale(asked, shape)
    note(f"Looks into {len(order)} pictures.", quiet=output.quiet or output.as_json)
    travel = _followed(asked.across, (pictures[frame] for frame in order), most)
    scale = with_relative_error(told, travel.scale_error)
    seen = _seen(exposures, profile, order, travel, scale.value)
    found = measure_rail(
        seen,
        lead_mm=profile.lead_mm,
        cycle_um=FULL_STEPS_A_CYCLE * profile.microsteps_per_full_step * profile.microstep_um,
        scale=scale,
        still_um=still_um if frozen else None,
    )
    if output.write and found.screw.outliers:
        raise Refusal(
            f"{asked.across}: nothing was written: exposure {spans(found.screw.outliers)} lies far from the fit. Look "
            "at its picture; without --write the fit is shown as it is.",
            code="misread",
        )
    lines = lines_of(found, profile)
    frames, sentence = _frames(asked.request, lines)
    if output.picture is not None:
        _draw(output.picture, found, profile, still_um)
    show_calibration(
        "calibrate rail",
        estimates_of(found, profile),
        words_of(found, still_um),
        lines,
        profile_path,
        load=load_rail if output.write else None,
        as_json=output.as_json,
        quiet=output.quiet,
        facts=facts_of(found, travel, scale) | ({} if frames is None else {"frames": frames}),
        sentences=[
            *sentences_of(found, travel, told, exact=asked.um_per_pixel is not None),
            *(() if frozen else (_BLURRED.format(exposures.exposure_s),)),
            *(one for one in (unsaid, sentence) if one),
        ],
    )
    note(f"Next: stacker plan {_next(asked.request)}", quiet=output.quiet or output.as_json)


def _next(request: Path | None) -> str:
    return "REQUEST, since steps, margins and gap risk follow the profile" if request is None else as_typed(request)


def _refuse_lacking(asked: Asked) -> None:
    if asked.journal is None:
        raise click.UsageError("--across needs --journal, that of the measuring run (drive --measure).")
    by_ruler = asked.ruler is not None
    if by_ruler == (asked.um_per_pixel is not None) or by_ruler != (asked.line_mm is not None):
        raise click.UsageError("give the scale: --ruler PICTURE with --line-mm, or --um-per-pixel.")
    if asked.ruler_error_mm is not None and not by_ruler:
        raise click.UsageError("--ruler-error-mm goes with --ruler.")


# ------------------------------------------------------------------------------------------------------- what was seen


def _exposures(journal: Path) -> _Exposures:
    """What a journal tells.

    Raises
    ------
    Refusal
        When it is of another kind of run, or the run was not finished.
    """
    from stacker.documents.journal import past_of, read_records
    from stacker.documents.measuring_run import longest_exposure_s, stops_of

    records, whole_bytes = read_records(journal)
    past = past_of(records, whole_bytes)
    stops = stops_of(past.columns, past.rows)
    if stops is None:
        raise Refusal(
            f"{journal}: not of a measuring run. Make one: stacker drive PROFILE --measure --travel-mm MM --go",
            code="other_run",
        )
    exposed = [record for record in records if record["event"] == "exposed" and "delay_s" in record]
    delay_s = {int(record["frame"]): float(record["delay_s"]) for record in exposed}
    if past.pending or len(delay_s) < len(stops):
        raise Refusal(
            f"{journal}: the run ended early, {len(past.confirmed)} of {len(stops)} pictures are confirmed. Make it "
            "again",
            code="unfinished",
        )
    numbered = dict(enumerate(stops, start=1))
    return _Exposures(stops=numbered, delay_s=delay_s, origin=past.front_at, exposure_s=longest_exposure_s(past.rows))


def _kind_of(path: Path) -> tuple[tuple[int, ...], float]:
    """Size of a picture, and the largest value its pixels can have."""
    from stacker.pictures.reading import read_grey

    grey = read_grey(path)
    return grey.shape, float(2 ** (8 * grey.itemsize) - 1)


def _scale(asked: Asked, shape: tuple[int, ...]) -> Estimate:
    """Micrometres a pixel."""
    from stacker.calibrating.estimate import Estimate, propagated
    from stacker.cli.ruler_readings import lines_in, seen_of

    if asked.ruler is None or asked.line_mm is None:
        assert asked.um_per_pixel is not None
        return Estimate(value=asked.um_per_pixel)
    lines = lines_in(asked.ruler, asked.line_mm, shape)
    return propagated(lambda mm, px: 1000 * mm / px, *seen_of(lines, asked.line_mm, asked.ruler_error_mm))


def _followed(folder: Path, paths: Iterator[Path], most: float) -> Travel:
    from stacker.pictures.reading import read_grey
    from stacker.pixels.travel import follow

    try:
        return follow((read_grey(path) for path in paths), most=most)
    except Refusal as refusal:
        raise Refusal(f"{folder}: {refusal}", code=refusal.code) from None


def _seen(exposures: _Exposures, profile: RailProfile, order: list[int], travel: Travel, um_per_px: float) -> Seen:
    """The readings in the order of time."""
    from stacker.calibrating.across import seen_of

    at_um = {frame: float(at_px) * um_per_px for frame, at_px in zip(order, travel.along_px, strict=True)}
    frames = sorted(order)
    return seen_of(
        frames,
        [exposures.stops[frame] for frame in frames],
        [exposures.delay_s[frame] for frame in frames],
        [at_um[frame] for frame in frames],
        origin=exposures.origin,
        microstep_um=profile.microstep_um,
        error_um=travel.error_px * um_per_px,
    )


# ---------------------------------------------------------------------------------------------------- what comes of it


def _frames(request: Path | None, lines: dict[str, float]) -> tuple[list[int | None] | None, str | None]:
    """Frames of a plan before and after, where a request was named."""
    from stacker.cli.frame_counts import change_of_frames

    if request is None:
        return None, None
    return change_of_frames(request, {f"rail.{key}": value for key, value in lines.items()})


def _draw(path: Path, found: RailFound, profile: RailProfile, still_um: float) -> None:
    from stacker.presenting.screw_picture import screw_picture

    settling = found.settling
    screw_picture(
        path,
        found.screw,
        lead_mm=profile.lead_mm,
        source="camera",
        settling=None if settling is None else (settling.delay_s, settling.away_um, still_um),
    )
