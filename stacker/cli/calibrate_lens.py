"""``stacker calibrate lens``: what a lens really does, from a run through focus of something flat."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.calibrated import show_calibration
from stacker.cli.output import note, output_options
from stacker.figures import as_typed, significant

if TYPE_CHECKING:
    from stacker.calibrating.estimate import Estimate
    from stacker.calibrating.lens import LensFound, Told
    from stacker.cli.pictures_of import RunPicture
    from stacker.documents.request import Request

_AREA_PX = 480  # about the picture's middle, in which the edge is looked for


@click.command(name="lens")
@click.argument("request", type=click.Path(path_type=Path))
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--journal",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    required=True,
    multiple=True,
    help="Of the run that took the pictures; repeat for runs that took some of its frames again.",
)
@click.option("--edge", is_flag=True, help="The target is a slanted edge in the middle; FOLDER holds raw files.")
@click.option("--picture", type=click.Path(path_type=Path), help="Draw the fit into this file (svg, png, pdf).")
@click.option("--write", is_flag=True, help="Change these values in REQUEST, and nothing else.")
@output_options
def lens(
    request: Path,
    folder: Path,
    *,
    journal: tuple[Path, ...],
    edge: bool,
    picture: Path | None,
    write: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """The slice, contrast and field of the rig in REQUEST, from a run through focus.

    Put something flat, with a grain of three to ten pixels, square before the lens,
    and drive the run through it that 'plan --target' plans.
    With --edge the target is a razor blade, slanted by some 5 degrees, and the
    pictures are raw files: then the contrast in focus is told too.

    \b
    Example:
      stacker plan beetle.yaml --target
      stacker drive beetle.target.plan.yaml --go
      stacker calibrate lens beetle.yaml CARD/ --journal beetle.target-*.run.jsonl
    """
    from stacker.cli.frame_counts import change_of_frames
    from stacker.cli.lens_lines import at_planned_detail, request_lines, sentences_of, told_of
    from stacker.cli.pictures_of import compare_settings, pictures_of_run
    from stacker.documents.loading import load_request

    loaded = load_request(request)
    told = told_of(loaded.value)
    pictures = pictures_of_run(folder, journal, raw=edge)
    doubt = compare_settings([picture.path for picture in pictures])
    found = _edge(pictures, loaded.value, told) if edge else _texture(pictures, loaded.value, told)
    found = at_planned_detail(loaded.value, found)
    lines = request_lines(loaded.value, found)
    frames, sentence = change_of_frames(request, lines)
    if picture is not None:
        _draw(picture, found)
    show_calibration(
        "calibrate lens",
        _estimates(found, told),
        _WORDS,
        lines,
        request,
        load=load_request if write else None,
        as_json=as_json,
        quiet=quiet,
        facts={
            "pictures": len(pictures),
            "tiles": found.tiles,
            "cycles_per_pixel": found.per_px,
            "misfit": found.misfit,
            "target_tilt_um": found.tilt_um,
            "frames": frames,
        },
        sentences=[
            *([doubt] if doubt else []),
            *sentences_of(loaded.value, told, found, lines),
            *([sentence] if sentence else []),
        ],
    )
    note(f"Next: stacker plan {as_typed(request)}", quiet=quiet or as_json)


_WORDS = {
    "object_na": "NA on the subject's side, by the width of the slice",
    "effective_f_number": "effective f-number, likewise",
    "spherical_waves": "waves of spherical aberration (W040), likewise",
    "mtf50_lp_mm": "line pairs a mm on the sensor at contrast 0.5, in focus",
    "field_curvature_um": "field curvature, um: how much deeper the corners are in focus",
}


def _estimates(found: LensFound, told: Told) -> dict[str, Estimate]:
    from stacker.calibrating.estimate import propagated

    f_number = found.effective_f_number
    out = {
        "object_na": propagated(lambda value: told.magnification / (2 * value), f_number),
        "effective_f_number": f_number,
        "spherical_waves": found.spherical_waves,
    }
    if found.mtf50_lp_mm is not None:
        out["mtf50_lp_mm"] = found.mtf50_lp_mm
    if found.curvature_um is not None:
        out["field_curvature_um"] = found.curvature_um
    return out


def _texture(pictures: list[RunPicture], asked: Request, told: Told) -> LensFound:
    from stacker.calibrating.texture import cut_tiles, measure_texture
    from stacker.cli.pictures_of import refuse_other_size
    from stacker.pictures.reading import read_grey

    def frames() -> Any:
        for picture in pictures:
            grey = read_grey(picture.path)  # one at a time: a whole run would not fit in memory
            refuse_other_size(picture.path, grey.shape, asked.camera.pixels)
            yield grey

    tiles = cut_tiles(frames())
    positions_um = [picture.position_um for picture in pictures]
    return measure_texture(tiles, positions_um, told, most=float(2 ** (8 * tiles.values.itemsize) - 1))


def _edge(pictures: list[RunPicture], asked: Request, told: Told) -> LensFound:
    from stacker.calibrating.edge import measure_edge
    from stacker.cli.pictures_of import refuse_other_size
    from stacker.pictures.raw import read_greens

    def frames() -> Any:
        for picture in pictures:
            sites, green = read_greens(picture.path)
            refuse_other_size(picture.path, sites.shape, asked.camera.pixels)
            middle = tuple(slice(max(0, size // 2 - _AREA_PX // 2), size // 2 + _AREA_PX // 2) for size in sites.shape)
            yield sites[middle], green[middle]

    return measure_edge(frames(), [picture.position_um for picture in pictures], told)


def _draw(path: Path, found: LensFound) -> None:
    from stacker.presenting.lens_picture import lens_picture

    lens_picture(
        path,
        positions_um=found.positions_um,
        kept=found.kept,
        place_um=found.place_um,
        shares=found.shares,
        title=f"f/{significant(found.effective_f_number.value)} effective, at {found.per_px:.2f} cycles a pixel",
    )
