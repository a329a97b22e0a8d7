"""Fields matched with a lens's curve: made-up curves whose depth, width and share of chance are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from stacker.looking.fields import (
    FEWEST_FIELDS,
    NO_DETAIL,
    Detail,
    Fields,
    curves_of,
    detail_of,
    fields_of,
    matched,
    some_of,
    too_little,
)
from stacker.looking.through_focus import BandCurve, band_curves
from stacker.pixels.energy import BANDS, FREQUENCIES

STEP_UM, WIDTH_UM = 100.0, 150.0


def bell(displacement_um, _per_px):
    """A made-up lens that treats all detail alike: its energy is the square of this, whatever a band answers to."""
    return np.exp(-((displacement_um / WIDTH_UM) ** 2))


CURVES = band_curves(bell, STEP_UM)
WIDTHS = 0.7 * (3.0 / 0.7) ** (np.arange(9) / 8)  # that are tried


# -------------------------------------------------------------------------------------------------------- the curve


@pytest.mark.parametrize("band", range(BANDS))
def test_a_band_s_curve_is_the_square_of_contrast_in_planned_steps(band):
    d = np.arange(0, 40.0125, 0.025)
    truth = np.exp(-2 * (d * STEP_UM / WIDTH_UM) ** 2)
    np.testing.assert_allclose(CURVES[band].share, truth, atol=1e-12)
    np.testing.assert_allclose(CURVES[band].slope[1:-1], (-4 * d * (STEP_UM / WIDTH_UM) ** 2 * truth)[1:-1], atol=5e-4)
    # a twenty-fifth is left where 2 d^2 is the logarithm of 25
    assert CURVES[band].reach == pytest.approx(np.sqrt(np.log(25) / 2) * WIDTH_UM / STEP_UM, abs=0.026)


@pytest.mark.parametrize("band", range(BANDS))
def test_of_the_frequencies_about_a_band_each_counts_by_what_second_differences_pass(band):
    """Against the integral from half to one and a half times the band's frequency; the sum of five is near it."""
    (made,) = band_curves(lambda off, per_px: np.exp(-((off * per_px / 12) ** 2)), STEP_UM)[band : band + 1]
    for steps in (1.0, 2.0, 4.0):

        def energy(share, away):
            passed = (2 - 2 * np.cos(np.pi * share)) ** 2 / share
            return passed * np.exp(-2 * (away * FREQUENCIES[band] * share / 12) ** 2)

        whole = quad(energy, 0.5, 1.5, args=(0.0,))[0]
        assert np.interp(steps, np.arange(0, 40.0125, 0.025), made.share) == pytest.approx(
            quad(energy, 0.5, 1.5, args=(steps * STEP_UM,))[0] / whole, abs=0.035
        )


def test_a_curve_that_never_falls_reaches_as_far_as_is_looked():
    flat = band_curves(lambda off, _: np.ones_like(off), STEP_UM)[0]
    assert flat.reach == 40
    assert np.ptp(flat.share) == 0
    nothing = band_curves(lambda off, _: np.zeros_like(off), STEP_UM)[0]  # beyond the cut-off
    assert not nothing.share.any()


def test_between_its_points_a_curve_is_straight_and_beyond_its_end_level():
    made = BandCurve(share=np.linspace(1, 0, 1601) ** 2, slope=np.linspace(-1, -3, 1601), reach=9.0)
    at = np.array([-3.0, -0.01, 0.0, 0.0375, 12.3456, 39.99, 55.0, -1e9])
    share, slope = made.at(at)
    grid = np.arange(1601) * 0.025
    inside = np.minimum(np.abs(at), 40 - 2.5e-5)
    np.testing.assert_allclose(share, np.interp(inside, grid, made.share), atol=1e-9)
    np.testing.assert_allclose(slope, np.sign(at) * np.interp(inside, grid, made.slope), atol=1e-9)


# --------------------------------------------------------------------------------------------------- detail or none


def column(curve):
    return np.asarray(curve, dtype=float)[:, None]


RISE = np.exp(-(((np.arange(20) - 9.3) / 2) ** 2))


@pytest.mark.parametrize(
    ("curve", "detailed"),
    [
        (0.1 + RISE, True),
        (5.0 + 1.9 * RISE, False),  # rises by 27 of 100 over what it has out of focus
        (5.0 + 2.6 * RISE, True),  # by 34
        (np.zeros(20), False),
        (np.where(np.arange(20) % 2, 1.0, 0.3), False),  # up and down from frame to frame
        (np.where(np.arange(20) < 11, 1.0, 0.1), False),  # there in more than half of the frames: no coming and going
    ],
    ids=["rises", "hardly", "enough", "black", "noise", "edge"],
)
def test_detail_rises_well_over_what_is_there_out_of_focus_and_over_noise(curve, detailed):
    found, told = curves_of(column(curve)[:, :, None])
    assert told.tolist() == [detailed]
    assert found.max() == (1 if curve.any() else 0)


@pytest.mark.parametrize(("noise", "detailed"), [(0.03, True), (0.25, False)])
def test_noise_is_told_by_how_a_curve_bends_from_frame_to_frame(noise, detailed):
    rng = np.random.default_rng(41)
    energy = 1 + RISE[:, None, None] + noise * rng.normal(size=(20, 10, 20))
    assert curves_of(energy)[1].mean() == pytest.approx(float(detailed), abs=0.1)


def test_the_noise_that_is_stated_is_that_of_independent_frames():
    """A rise of seven times the noise is detail, one of five is not: by many fields with noise of known size."""
    rng = np.random.default_rng(42)
    shares = []
    for times in (4.5, 9.0):
        rise = np.where(np.arange(61) == 30, 1.0, 0.0)
        rise[29:32] = 1.0
        energy = np.maximum(rise[:, None, None], 1 - times * 0.1 + 0 * rise[:, None, None])
        energy = energy + 0.1 * rng.normal(size=(61, 20, 20)) * (rise[:, None, None] == 0)
        shares.append(float(curves_of(energy)[1].mean()))
    assert shares[0] < 0.2
    assert shares[1] > 0.8


def test_what_is_far_fainter_than_the_rest_only_shines_in():
    energy = 40 * np.stack([RISE * size for size in (*[1.0] * 7, 0.05, 0.02)], axis=1)[:, :, None]
    assert curves_of(energy)[1].tolist() == [True] * 8 + [False]
    assert not curves_of(np.ones((20, 3, 3)))[1].any()


# ---------------------------------------------------------------------------------------------------- matched curves


def curve_at(at, depth, width):
    return np.exp(-2 * ((at - depth) / width * STEP_UM / WIDTH_UM) ** 2)


@pytest.mark.parametrize("band", range(BANDS))
def test_depth_and_width_of_a_curve_are_found_whatever_its_peak_and_floor(band):
    rng = np.random.default_rng(43)
    at = np.arange(24.0)
    depth = rng.integers(-4, 4 * 24, 60) / 4  # where depths are tried
    width = rng.choice(WIDTHS, 60)
    curve = np.stack(
        [rng.uniform(0, 3) + rng.uniform(0.2, 5) * curve_at(at, *one) for one in zip(depth, width, strict=True)]
    )
    found = matched(curve.T, at, CURVES[band], np.arange(60), band)
    inside = (depth > 0) & (depth < 23)
    np.testing.assert_allclose(found.depth[inside], depth[inside], atol=1e-9)
    np.testing.assert_allclose(np.exp(found.log_width)[inside], width[inside], rtol=1e-9)
    assert found.likeness == pytest.approx(np.ones(60), abs=1e-6)
    assert found.band.tolist() == [band] * 60
    assert found.place.tolist() == [*range(60)]
    np.testing.assert_array_equal(found.energy, curve.T)


def test_how_far_beyond_the_ends_a_depth_is_tried_is_asked_for():
    at = np.arange(12.0)
    rising = column(curve_at(at, 14.0, WIDTHS[4]))
    near, far = (matched(rising, at, CURVES[0], np.array([0]), 0, beyond=beyond) for beyond in (1.5, 4.0))
    assert 12 <= near.depth[0] <= 12.5  # of what is still rising a narrower curve nearer by is as good a guess
    assert far.depth[0] == pytest.approx(14.0)
    falling = column(curve_at(at, -3.0, WIDTHS[4]))
    assert -1.5 <= matched(falling, at, CURVES[0], np.array([0]), 0).depth[0] <= -1


def test_likeness_is_the_share_of_variance_that_is_explained():
    """A curve and as much variance of something that has no part of it."""
    at = np.arange(24.0)
    rise = curve_at(at, 12.0, WIDTHS[3])
    rise = (rise - rise.mean()) / np.std(rise)
    odd = np.sin(2 * np.pi * (at - 12) * 0.31)  # odd about the middle, the rise is even
    odd = (odd - odd.mean()) / np.std(odd)
    odd -= rise * np.mean(rise * odd)
    for share in (0.9, 0.5):
        mixed = np.sqrt(share) * rise + np.sqrt(1 - share) * odd / np.std(odd)
        found = matched(column(mixed), at, CURVES[0], np.array([0]), 0)
        # another depth and width may take a little of what this one leaves
        assert share - 0.01 < found.likeness[0] < share + 0.06
    assert matched(column(np.ones(24)), at, CURVES[0], np.array([0]), 0).likeness[0] == 0


def energy_of(depth):
    """Energies of tiles, shape (frames, bands, 1, n)."""
    at = np.arange(20.0)
    curve = np.stack([0.1 + curve_at(at, one, WIDTHS[2]) for one in depth], axis=1)
    return np.broadcast_to(curve[:, None, None, :], (len(at), BANDS, 1, len(depth)))


def test_fields_are_those_like_the_curve_and_not_a_step_beyond_the_ends():
    # a depth of a step before or behind is the last that may be one; noise has none, and bumps are not like it
    depth = [-1.25, -0.75, 0.5, 9.0, 19.75, 20.25]
    energy = energy_of(depth)
    rng = np.random.default_rng(45)
    bumps = np.where(rng.uniform(size=(20, BANDS, 1, 4)) < 0.4, 1.0, 0.1)
    found, details = fields_of(np.concatenate([energy, bumps], axis=3), np.arange(20.0), CURVES)
    for band in range(BANDS):
        mine = found.band == band
        assert found.place[mine].tolist() == [1, 2, 3, 4]
        assert found.depth[mine] == pytest.approx([-0.75, 0.5, 9.0, 19.75], abs=1e-9)
    assert [one.count >= 6 for one in details] == [True] * BANDS


def fields(likeness, *, depth=None, place=None, band=None):
    count = len(likeness)
    return Fields(
        energy=np.ones((5, count)),
        place=np.arange(count) if place is None else np.asarray(place),
        band=np.zeros(count, int) if band is None else np.asarray(band),
        depth=np.zeros(count) if depth is None else np.asarray(depth, float),
        log_width=np.zeros(count),
        likeness=np.asarray(likeness, float),
    )


def test_detail_counts_fields_and_the_share_that_follows_closely():
    assert detail_of(fields([0.95, 0.91, 0.9, 0.2])) == Detail(count=4, following=0.5)
    assert detail_of(fields([])) == Detail(count=0, following=0.0)


@pytest.mark.parametrize(
    ("details", "reason"),
    [
        ([(40, 0.35), (0, 0), (0, 0)], None),
        ([(40, 0.34), (500, 1), (500, 1)], "only 34% of the fields with detail"),  # the finest band decides
        ([(39, 0.0), (40, 0.6), (0, 0)], None),
        ([(39, 1.0), (40, 0.59), (90, 1)], "only 59% of the fields with detail"),
        ([(0, 0), (39, 1), (40, 0.85)], None),
        ([(0, 0), (39, 1), (40, 0.84)], "only 84% of the fields with detail"),
        ([(39, 1), (39, 1), (39, 1)], NO_DETAIL),
    ],
)
def test_a_stack_without_detail_or_with_several_depths_in_one_place_has_too_little(details, reason):
    assert FEWEST_FIELDS == 40
    told = too_little(tuple(Detail(count=count, following=share) for count, share in details))
    assert (told is None) if reason is None else told.startswith(reason)


def test_of_each_band_and_step_so_many_by_their_scattered_places():
    rng = np.random.default_rng(46)
    some = fields(np.ones(300), depth=rng.uniform(-1, 4, 300), place=rng.permutation(300), band=rng.integers(0, 3, 300))
    chosen = some_of(some, 7)
    expected = []
    for step in range(-1, 4):
        for band in range(3):
            mine = [k for k in range(300) if np.floor(some.depth[k]) == step and some.band[k] == band]
            golden = (5**0.5 - 1) / 2
            expected += sorted(mine, key=lambda k: some.place[k] * golden % 1)[:7]
    assert chosen.tolist() == sorted(expected)
