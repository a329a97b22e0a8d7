"""Rulers rendered with known spacing: what is measured, and what is refused."""

from __future__ import annotations

import collections
import os
import time

import numpy as np
import pytest
from darkroom.camera import Body, developed, mosaic_of, through_jpeg
from darkroom.ruler import Ruler

from stacker.calibrating.estimate import Estimate
from stacker.errors import Refusal
from stacker.pixels.ruler import RulerLines, measure_ruler

SMALL = (420, 1260)
GOOD = Body()


def shot(ruler: Ruler, seed: int, body: Body = GOOD) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return through_jpeg(developed(mosaic_of(ruler.scene(rng), body, rng), body), body.quality)


def measured(ruler: Ruler, seed: int = 1, body: Body = GOOD) -> RulerLines:
    return measure_ruler(shot(ruler, seed, body))


def off(found: RulerLines, ruler: Ruler) -> float:
    return found.spacing_px / ruler.spacing_px - 1


@pytest.mark.parametrize(
    "ruler",
    [
        Ruler(shape=SMALL, spacing_px=44),
        Ruler(shape=SMALL, spacing_px=44, rotation_deg=8, barrel=0.003),
        Ruler(shape=SMALL, spacing_px=31, rotation_deg=-8, barrel=-0.003, lean=0.004),
        Ruler(shape=SMALL, spacing_px=24, rotation_deg=3, blur_px=3, contrast=0.4),
        Ruler(shape=SMALL, spacing_px=52, width=0.3, engraved=True),
    ],
    ids=["straight", "rotated_barrel", "rotated_pincushion_leaning", "soft", "engraved"],
)
def test_the_spacing_at_the_centre_is_found_with_distortion_taken_off(ruler):
    found = measured(ruler)
    # 0.1 % is what an answer may be off at most; the two corners of distortion would be off by 0.2 % without the fit
    assert abs(off(found, ruler)) < 0.0005
    assert found.rotation_deg == pytest.approx(ruler.rotation_deg, abs=0.2)
    assert found.upright


def test_what_whole_rows_share_is_in_the_interval(monkeypatch):
    """Lines that scatter by nothing but what mosaic and JPEG do: neighbours in a row are pushed alike."""
    ruler = Ruler(shape=SMALL, spacing_px=26.4, rotation_deg=-4.5, blur_px=1.3, digits=False)
    picture = shot(ruler, 16, Body(quality=70))
    found = measure_ruler(picture)
    monkeypatch.setattr("stacker.pixels.ruler.error_of_rows", lambda _: 0.0)
    monkeypatch.setattr("stacker.pixels.ruler._UNSEEN", 0.0)
    assert found.standard_error_px > measure_ruler(picture).standard_error_px
    assert abs(off(found, ruler)) * ruler.spacing_px < 3 * found.standard_error_px


def test_a_ruler_along_the_short_side_is_found_too():
    ruler = Ruler(shape=SMALL, spacing_px=44, rotation_deg=3)
    found = measure_ruler(np.ascontiguousarray(shot(ruler, 2).T))
    assert not found.upright
    assert abs(off(found, ruler)) < 0.0005


def test_oblique_fine_lines_far_from_the_centre_of_a_large_picture():
    """In strips of 25 rows the ends of lines, here 84 rows long, pulled them upright by a tenth of their slant."""
    ruler = Ruler(shape=(360, 1500), spacing_px=24, rotation_deg=4, offset=(0.3, -1.0))
    scene = ruler.scene(np.random.default_rng(17))
    picture = np.vstack((scene, np.broadcast_to(scene[-1:], (3640, 1500)))) * 255
    found = measure_ruler(picture.astype(np.uint8))
    assert found.rotation_deg == pytest.approx(4, abs=0.05)
    # three standard errors
    assert abs(off(found, ruler)) < 3 * found.standard_error_px / 24 < 0.0009


@pytest.mark.parametrize("rotation_deg", [0.1, 2.0])
def test_a_harmonic_is_not_taken_for_the_spacing(rotation_deg):
    """Engraved lines with a bright edge beside the dark one have a strong second harmonic."""
    ruler = Ruler(shape=SMALL, spacing_px=26.8, rotation_deg=rotation_deg, width=0.16, engraved=True, blur_px=0.9)
    assert abs(off(measured(ruler), ruler)) < 0.0005


def test_a_tone_curve_and_sharpening_do_not_move_lines():
    ruler = Ruler(shape=SMALL, spacing_px=29, rotation_deg=2)
    plain, strong = (measured(ruler, 3, Body(gamma=gamma, sharpening=more)) for gamma, more in ((1, 0), (2.6, 1.5)))
    assert plain.spacing_px == pytest.approx(strong.spacing_px, rel=2e-4)


def test_fewer_bits_noise_and_a_strong_jpeg_still_give_it():
    ruler = Ruler(shape=SMALL, spacing_px=36, rotation_deg=-4)
    found = measured(ruler, 4, Body(full_well_e=3000, exposure=0.3, quality=60))
    assert abs(off(found, ruler)) < 0.0005


def test_lines_that_are_printed_carelessly_widen_the_interval():
    careful = measured(Ruler(shape=SMALL, spacing_px=36, printed_scatter=0.0))
    careless = measured(Ruler(shape=SMALL, spacing_px=36, printed_scatter=0.006))
    assert careless.standard_error_px > 2 * careful.standard_error_px


# ------------------------------------------------------------------------------------------------------------- traps


def refusal(picture: np.ndarray) -> str:
    with pytest.raises(Refusal) as refused:
        measure_ruler(picture)
    return refused.value.code


def test_nothing_there_is_refused():
    rng = np.random.default_rng(5)
    assert refusal(rng.integers(90, 120, SMALL, dtype=np.uint8)) == "no_lines"
    assert refusal(np.full(SMALL, 255, np.uint8)) == "no_lines"  # burnt out
    assert refusal(np.zeros(SMALL, np.uint8)) == "no_lines"
    assert refusal(np.zeros((3, 3), np.uint8)) == "no_lines"


def test_lines_too_fine_for_the_pixels_are_refused():
    assert refusal(shot(Ruler(shape=SMALL, spacing_px=6.6, lengths=((1, 20.0),), blur_px=0.6), 6)) == "aliased"


@pytest.mark.parametrize("count", [5, 9])
def test_a_few_lines_are_refused(count):
    ruler = Ruler(shape=SMALL, spacing_px=1260 / (count + 1), offset=(0.0, -2.0), lines=count, digits=False)
    assert refusal(shot(ruler, 7)) in {"no_lines", "few_lines"}


def test_twelve_lines_over_the_whole_picture_are_refused():
    assert refusal(shot(Ruler(shape=SMALL, spacing_px=100, lengths=((1, 3.0),), digits=False), 7)) in {
        "no_lines",
        "few_lines",
    }


def test_a_short_ruler_is_refused():
    ruler = Ruler(shape=SMALL, spacing_px=24, lines=17, offset=(0.0, -2.0), digits=False)
    assert refusal(shot(ruler, 8)) == "no_lines"


def test_an_oblique_ruler_is_refused():
    ruler = Ruler(shape=(900, 1260), spacing_px=30, rotation_deg=14, lengths=((1, 9.0),))
    assert refusal(shot(ruler, 9)) in {"oblique", "no_lines"}


def test_a_leaning_ruler_is_refused():
    assert refusal(shot(Ruler(shape=SMALL, spacing_px=36, lean=0.02), 10)) == "leaning"


def test_of_two_scales_in_one_picture_one_is_measured_never_a_mean():
    upper = shot(Ruler(shape=(210, 1260), spacing_px=36, offset=(0.3, -1.0), digits=False), 11)
    lower = shot(Ruler(shape=(210, 1260), spacing_px=36.4, offset=(0.3, -1.0), digits=False), 12)
    rulers = (36, 36.4)
    spacing_px = measure_ruler(np.vstack((upper, lower[::-1]))).spacing_px
    assert min(abs(spacing_px / one - 1) for one in rulers) < 0.0005


def test_bands_that_differ_are_refused():
    """A bent ruler: its lines spread like a fan, as no distortion of a lens makes them."""
    ruler = Ruler(shape=SMALL, spacing_px=36, lengths=((1, 7.0),), digits=False, offset=(0.0, -4.0))
    picture = shot(ruler, 13).astype(float)
    rows, columns = picture.shape
    x = np.arange(columns) - (columns - 1) / 2
    fan = np.empty_like(picture)
    for row in range(rows):  # the lower half alone is stretched
        stretch = 1 + 0.004 * (row > rows * 0.5)
        fan[row] = np.interp(x / stretch, x, picture[row])
    assert refusal(fan) == "bands_differ"


def test_half_units_are_said_to_alternate():
    half = Ruler(shape=SMALL, spacing_px=26, lengths=((1, 3.0), (2, 5.5), (20, 8.0)), digits=False)
    assert measured(half).alternating
    assert not measured(Ruler(shape=SMALL, spacing_px=26)).alternating


def test_careless_lines_are_refused():
    ruler = Ruler(shape=SMALL, spacing_px=70, printed_scatter=0.02, digits=False)
    assert refusal(shot(ruler, 14)) == "irregular"


# ---------------------------------------------------------------------------------------------------------- campaign


SEEDS = 40 * int(os.environ.get("STACKER_SEEDS", "1"))


@pytest.mark.campaign
def test_many_rulers_are_right_or_refused():
    """Bias, spread and coverage of the stated interval; seeds of no test above and of no development run."""
    errors, inside, refused = [], [], collections.Counter()
    for seed in range(SEEDS):
        rng = np.random.default_rng([20_318, seed])
        ruler = Ruler(
            shape=(500, 1200),
            spacing_px=float(np.exp(rng.uniform(np.log(18), np.log(60)))),
            rotation_deg=rng.uniform(-8, 8),
            barrel=rng.uniform(-0.003, 0.003),
            blur_px=rng.uniform(0.6, 3),
            contrast=rng.uniform(0.3, 0.8),
            width=rng.uniform(0.1, 0.3),
            printed_scatter=rng.choice([0.0, 0.003]),
            engraved=bool(rng.random() < 0.3),
            offset=(rng.uniform(0, 10), rng.uniform(-3, -1)),
        )
        body = Body(
            full_well_e=float(rng.choice([3000, 30_000])),
            exposure=rng.uniform(0.2, 0.9),
            sharpening=float(rng.choice([0.0, 1.0])),
            quality=int(rng.choice([70, 92])),
        )
        try:
            found = measured(ruler, seed, body)
        except Refusal as refusal:
            refused[refusal.code] += 1
            continue
        errors.append(off(found, ruler))
        margin_px = Estimate(value=0.0, standard_error=found.standard_error_px, freedom=found.freedom).margin
        inside.append(abs(errors[-1]) < margin_px / ruler.spacing_px)
    size = np.abs(errors)
    told = (
        f"{len(size)} of {SEEDS} measured: median {np.median(size):.4%}, worst {size.max():.4%}, "
        f"mean {np.mean(errors):+.4%}, interval holds {np.mean(inside):.0%}; refused: {dict(refused)}"
    )
    print(told)
    assert np.median(size) < 0.0002, told
    assert size.max() < 0.001, told
    assert np.mean(inside) > 0.92 - 2 * np.sqrt(0.92 * 0.08 / len(inside)), told  # what is asked for, less chance
    assert sum(refused.values()) <= SEEDS / 4, told


@pytest.mark.campaign
@pytest.mark.parametrize("spacing_px", [20, 250])
def test_reading_and_measuring_24_megapixels_takes_little_more_than_decoding(tmp_path, spacing_px):
    from PIL import Image

    from stacker.pictures.reading import read_grey

    rng = np.random.default_rng(1)
    ruler = Ruler(shape=(1200, 6000), spacing_px=spacing_px, rotation_deg=2)  # a strip; below it the bench
    scene = ruler.scene(rng)
    scene = np.vstack((scene, np.broadcast_to(scene[-1:], (2800, 6000))))
    picture = np.clip(255 * scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8)
    path = tmp_path / "ruler.jpg"
    Image.fromarray(np.stack([picture] * 3, axis=-1)).save(path, quality=92)

    def seconds(action) -> float:
        begun = time.process_time()
        action()
        return time.process_time() - begun

    def decode() -> None:
        with Image.open(path) as image:
            image.draft("L", image.size)
            np.asarray(image.convert("L"))

    # the least of some, in turn: others may use the machine too, and its memory
    times = [(seconds(lambda: measure_ruler(read_grey(path))), seconds(decode)) for _ in range(12)]
    whole, alone = (min(some) for some in zip(*times, strict=True))
    print(f"\nread and measured in {whole / alone:.2f} of the time of decoding")
    # the goal is 2.5, met on an idle machine (2.2); beside other campaigns, which fill the memory's line, half more
    assert whole < 1.5 * 2.5 * alone, (whole, alone)
    assert abs(off(measure_ruler(read_grey(path)), ruler)) < 0.0005
