"""Which fields are taken, and which tiles they are made of."""

from __future__ import annotations

import numpy as np
from darkroom.stack_runs import RIGS, planned_for

from stacker.looking.fields import Fields, some_of, tiles_of
from stacker.looking.through_focus import band_curves


def test_large_pictures_are_joined_to_some_thousand_tiles():
    cells = np.random.default_rng(1).gamma(2, size=(3, 250, 375))
    tiles = tiles_of(cells)
    assert tiles.shape == (3, 62, 93)
    np.testing.assert_allclose(tiles[1, 2, 3], np.mean(cells[1, 8:12, 12:16]))
    assert tiles_of(cells[:, :40, :60]).shape == (3, 40, 60)
    assert tiles_of(cells[:, :0, :60]).shape == (3, 0, 60)


def test_the_choice_of_fields_does_not_look_at_how_well_they_fit():
    """Fields to which the planned steps fit best would say that all steps are as planned."""
    rng = np.random.default_rng(2)
    n = 4000
    place = np.arange(n)
    fields = Fields(
        energy=np.ones((10, n)),
        place=place,
        band=rng.integers(0, 3, n),
        depth=rng.uniform(0, 10, n),
        log_width=np.zeros(n),
        likeness=rng.uniform(0.8, 1, n),
    )
    chosen = some_of(fields, 30)
    group = np.floor(fields.depth[chosen]) * 3 + fields.band[chosen]
    assert np.bincount(group.astype(int)).tolist() == [30] * 30
    # of 900 uniform numbers: three standard errors; and all over the picture
    assert abs(fields.likeness[chosen].mean() - fields.likeness.mean()) < 3 * 0.2 / np.sqrt(12 * 900)
    assert np.abs(np.histogram(chosen, 8, (0, n))[0] - 900 / 8).max() < 30


def test_curves_fall_from_one_and_the_finest_falls_first():
    step_um, curve = planned_for(RIGS["tubes"].lens)
    curves = band_curves(curve, step_um)
    assert [one.share[0] for one in curves] == [1.0] * 3
    assert curves[0].reach < curves[1].reach < curves[2].reach
    share, slope = curves[1].at(np.array([-1.5, 0.0, 1.5, 1e6]))
    assert share[0] == share[2]
    assert slope[0] == -slope[2] > 0
    assert share[3] < 0.01
