"""Coverage against the rules themselves, worked out another way: whole numbers, plain loops, exact fractions."""

import math
from dataclasses import dataclass, fields
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from planning.laid import lay_planes

from stacker.errors import Refusal
from stacker.planning.coverage import MAX_FRAMES
from stacker.planning.focus_grid import FocusRailMap
from stacker.planning.zones import Zone

# A plane may be a billionth of a rail step off (the float noise that rounding forgives); more is a fault.
NOISE_STEPS = 1.01e-9


@dataclass(frozen=True)
class Request:
    """Lengths as exact decimals, in um, so that the checks below do not share the rounding of the code."""

    depth: Fraction
    dof: Fraction
    overlap: Fraction
    microstep: Fraction | None
    zones: tuple[tuple[Fraction, Fraction, Fraction], ...]  # from, to, overlap
    end_frames: int
    lead_error: Fraction

    @property
    def unit(self):
        return self.microstep or Fraction(1)

    def laid(self):
        return lay_planes(
            depth_um=float(self.depth),
            step_um=float(self.dof) * (1 - float(self.overlap)),
            slice_um=float(self.dof),
            microstep_um=None if self.microstep is None else float(self.microstep),
            zones=tuple(
                Zone(from_um=float(start), to_um=float(end), step_um=float(self.dof) * (1 - float(overlap)))
                for start, end, overlap in self.zones
            ),
            end_frames=self.end_frames,
            lead_error=float(self.lead_error),
        )


def decimals(low, high, places):
    scale = 10**places
    return st.integers(round(low * scale), round(high * scale)).map(lambda number: Fraction(number, scale))


@st.composite
def zones_of(draw, depth):
    edges = sorted({draw(decimals(-50, float(depth) + 50, 1)) for _ in range(2)})
    if len(edges) < 2:
        edges = [Fraction(0), depth + 1]
    return (*edges, draw(decimals(0, 0.8, 2)))


@st.composite
def requests(draw):
    depth = draw(decimals(0, 900, 1))
    microsteps = [Fraction(5, 8), Fraction(5, 32), Fraction(10), Fraction(127, 400), Fraction(1, 3), Fraction(1)]
    microstep = draw(st.sampled_from([None, *microsteps]))
    finest = 5 * float(microstep or 1)  # the finest zone, 0.8 of overlap, still moves one step
    return Request(
        depth=depth,
        dof=draw(decimals(finest + 0.1, finest + 60, 1)),
        overlap=draw(decimals(0, 0.7, 2)),
        microstep=microstep,
        zones=tuple(draw(st.lists(zones_of(depth), max_size=3))),
        end_frames=draw(st.integers(0, 4)),
        lead_error=draw(st.sampled_from([Fraction(0), Fraction(3, 1000), Fraction(2, 100), Fraction(1, 10)])),
    )


def by_the_rules(request):
    """The planes as the rules are written, one after the other, in exact arithmetic."""
    unit, step = request.unit, request.dof * (1 - request.overlap)

    def next_step(stop):
        z = stop * unit
        own = min([step, *(request.dof * (1 - o) for start, end, o in request.zones if start <= z < end)])
        ahead = [
            max(math.floor(request.dof * (1 - o) / unit), math.floor((start - z) / unit))
            for start, _, o in request.zones
            if start > z
        ]
        return min([math.floor(own / unit), *ahead])

    def front_step(stop):
        return next(s for s in range(math.floor(step / unit), 0, -1) if next_step(stop - s) >= s)

    margin = request.lead_error * request.depth
    deeper = [0]
    while deeper[-1] * unit < request.depth:
        deeper.append(deeper[-1] + next_step(deeper[-1]))
    needed = len(deeper) + request.end_frames
    while len(deeper) < needed or deeper[-1] * unit < request.depth + margin:
        deeper.append(deeper[-1] + next_step(deeper[-1]))
    front = [0]
    while len(front) <= request.end_frames or front[-1] * unit > -margin:
        front.append(front[-1] - front_step(front[-1]))
    return front[:0:-1] + deeper


@settings(max_examples=examples(1000), deadline=None)
@given(request=requests())
def test_planes_are_those_of_the_rules(request):
    assert request.laid().position_microsteps.tolist() == by_the_rules(request)


@settings(max_examples=examples(1000), deadline=None)
@given(request=requests())
def test_what_must_hold_after_rounding(request):
    check_what_must_hold(request)


@pytest.mark.campaign
@settings(max_examples=10_000, deadline=None)
@given(request=requests())
def test_what_must_hold_and_the_rules_for_many_more(request):
    check_what_must_hold(request)
    assert request.laid().position_microsteps.tolist() == by_the_rules(request)


def check_what_must_hold(request):
    planes = request.laid()
    unit, noise = request.unit, Fraction(NOISE_STEPS) * request.unit
    stops = planes.position_microsteps.tolist()
    assert planes.position_microsteps.dtype == np.int64
    assert 0 in stops
    focus = [stop * unit for stop in stops]
    steps = [after - before for before, after in pairwise(focus)]
    assert all(step > 0 for step in steps)
    assert all((request.dof - step) / request.dof >= request.overlap - noise / request.dof for step in steps)
    for start, end, overlap in request.zones:
        bound = [step for z, step in zip(focus, steps, strict=False) if min(z + step, end) > max(z, start) + noise]
        assert all(step <= request.dof * (1 - overlap) + noise for step in bound)
    margin = request.lead_error * request.depth
    assert focus[0] <= -margin + noise
    assert focus[-1] >= request.depth + margin - noise
    assert sum(stop < 0 for stop in stops) >= request.end_frames
    assert sum(z >= request.depth - noise for z in focus) >= 1 + request.end_frames


@settings(max_examples=examples(300), deadline=None)
@given(request=requests())
def test_every_depth_of_a_fine_grid_lies_in_a_slice(request):
    planes = request.laid()
    depth_um = np.linspace(0, float(request.depth), 2001)[:, np.newaxis]
    noise_um = NOISE_STEPS * float(request.unit)
    assert np.all(np.any((planes.near_um - noise_um <= depth_um) & (depth_um <= planes.far_um + noise_um), axis=1))


@settings(max_examples=examples(300), deadline=None)
@given(request=requests())
def test_columns_agree_with_each_other(request):
    planes = request.laid()
    assert planes.frame_count == len(planes.focus_um)
    np.testing.assert_allclose(planes.focus_um, planes.position_microsteps * float(request.unit), rtol=1e-15)
    np.testing.assert_array_equal(planes.rail_um, planes.focus_um)
    np.testing.assert_allclose(planes.far_um - planes.near_um, planes.slice_um, rtol=1e-12)
    np.testing.assert_allclose((planes.near_um + planes.far_um) / 2, planes.focus_um, atol=1e-9)
    np.testing.assert_array_equal(planes.step_microsteps, np.diff(planes.position_microsteps))
    # The share that two intervals have in common, from their ends.
    shared_um = np.minimum(planes.far_um[:-1], planes.far_um[1:]) - np.maximum(planes.near_um[:-1], planes.near_um[1:])
    np.testing.assert_allclose(planes.overlap, shared_um / float(request.dof), atol=1e-9)


@settings(max_examples=examples(400), deadline=None)
@given(request=requests(), more=decimals(0, 0.3, 2), data=st.data())
def test_asking_for_more_never_gives_fewer_frames(request, more, data):
    def count(**changes):
        values = {field.name: getattr(request, field.name) for field in fields(request)} | changes
        return Request(**values).laid().frame_count

    frames = count()
    tighter = min(request.overlap + more, Fraction(8, 10))
    assert count(overlap=tighter) >= frames
    assert count(depth=request.depth * (1 + more)) >= frames
    assert count(end_frames=request.end_frames + 1) >= frames
    assert count(lead_error=request.lead_error + more / 10) >= frames
    assert count(zones=(*request.zones, data.draw(zones_of(request.depth)))) >= frames
    if request.zones:
        start, end, overlap = request.zones[0]
        finer = (start - more, end + more, min(overlap + more, Fraction(8, 10)))
        assert count(zones=(finer, *request.zones[1:])) >= frames


@given(hop=st.integers(1, 400), hops=st.integers(1, 3000), short=st.integers(0, 399), end_frames=st.integers(0, 5))
def test_frames_are_proportional_to_depth(hop, hops, short, end_frames):
    # Derived: from 0 to the first plane at or beyond the depth there are depth/step steps, rounded up.
    depth_um = (hops * hop - min(short, hop - 1)) * 0.625
    planes = lay_planes(
        depth_um=depth_um, step_um=hop * 0.625, slice_um=400.0, microstep_um=0.625, end_frames=end_frames
    )
    assert planes.frame_count == hops + 1 + 2 * end_frames


def stops(**request):
    request = {"step_um": 10.0, "slice_um": 10.0, "end_frames": 0} | request
    return lay_planes(**request).position_microsteps.tolist()


def zone(from_um, to_um, step_um):
    return Zone(from_um=from_um, to_um=to_um, step_um=step_um)


@pytest.mark.parametrize(
    ("request_", "expected"),
    # All worked out by hand.
    [
        pytest.param({"depth_um": 0.0}, [0], id="no depth"),
        pytest.param({"depth_um": 0.0, "end_frames": 1}, [-10, 0, 10], id="no depth but end frames"),
        pytest.param({"depth_um": 0.3}, [0, 10], id="less deep than a step"),
        pytest.param({"depth_um": 30.0}, [0, 10, 20, 30], id="a multiple of the step"),
        pytest.param({"depth_um": 30.0 + 1e-13}, [0, 10, 20, 30], id="noise above a multiple"),
        pytest.param({"depth_um": 30.001}, [0, 10, 20, 30, 40], id="just past a multiple"),
        pytest.param({"depth_um": 21.0, "step_um": 0.7 * 10}, [0, 7, 14, 21], id="0.7 * 10 is below 7 in floats"),
        pytest.param({"depth_um": 1.0, "step_um": 0.3, "microstep_um": 0.1}, [0, 3, 6, 9, 12], id="0.3 / 0.1"),
        pytest.param({"depth_um": 20.0, "step_um": 10.9}, [0, 10, 20], id="whole um without a rail"),
        pytest.param({"depth_um": 30.0, "lead_error": 0.1}, [-10, 0, 10, 20, 30, 40], id="margin on both sides"),
        pytest.param({"depth_um": 100.0, "lead_error": 0.1}, [*range(-10, 111, 10)], id="margin of one step exactly"),
        pytest.param({"depth_um": 100.0, "lead_error": 0.11}, [*range(-20, 121, 10)], id="margin just over one step"),
        pytest.param(
            {"depth_um": 30.0, "lead_error": 0.1, "end_frames": 1},
            [-10, 0, 10, 20, 30, 40],
            id="end frames serve as margin",
        ),
        pytest.param({"depth_um": 30.0, "zones": (zone(10, 20, 5),)}, [0, 10, 15, 20, 30], id="zone"),
        pytest.param({"depth_um": 30.0, "zones": (zone(12, 20, 5),)}, [0, 10, 15, 20, 30], id="crosses an edge"),
        pytest.param({"depth_um": 30.0, "zones": (zone(8, 20, 5),)}, [0, 8, 13, 18, 23, 33], id="stops at an edge"),
        pytest.param({"depth_um": 20.0, "zones": (zone(8.5, 10, 5),)}, [0, 8, 13, 23], id="edge between stops"),
        pytest.param({"depth_um": 20.0, "zones": (zone(0, 9, 5),)}, [0, 5, 10, 20], id="zone from the front"),
        pytest.param({"depth_um": 20.0, "zones": (zone(10, 20, 5),)}, [0, 10, 15, 20], id="zone to the back"),
        pytest.param(
            {"depth_um": 20.0, "end_frames": 1, "zones": (zone(0, 20, 5),)},
            [-10, 0, 5, 10, 15, 20, 30],
            id="a zone from front to back binds no pair outside",
        ),
        pytest.param(
            {"depth_um": 20.0, "end_frames": 1, "zones": (zone(-3, 22, 5),)},
            [-5, 0, 5, 10, 15, 20, 25],
            id="a zone past both ends binds them",
        ),
        pytest.param(
            {"depth_um": 20.0, "end_frames": 2, "zones": (zone(-12, -7, 3),)},
            [-10, -7, 0, 10, 20, 30, 40],
            id="a zone in front of the subject",
        ),
        pytest.param({"depth_um": 20.0, "zones": (zone(30, 50, 2),)}, [0, 10, 20], id="zone behind the subject"),
        pytest.param(
            {"depth_um": 30.0, "zones": (zone(10, 15, 5), zone(15, 19, 2))},
            [0, 10, 15, 17, 19, 29, 39],
            id="zones that touch",
        ),
        pytest.param(
            {"depth_um": 30.0, "zones": (zone(10, 20, 5), zone(12, 16, 2))},
            [0, 10, 12, 14, 16, 21, 31],
            id="zone within a zone",
        ),
        pytest.param({"depth_um": 20.0, "zones": (zone(5, 15, 40),)}, [0, 10, 20], id="coarser zone is void"),
        pytest.param({"depth_um": 20.0, "zones": (zone(8, 8.4, 3),)}, [0, 8, 11, 21], id="zone under a stop wide"),
    ],
)
def test_boundary_cases(request_, expected):
    assert stops(**request_) == expected


def test_a_seam_derived_step_defines_the_slice():
    # Slices as thick as the step that was solved for: they overlap by what rounding left over, never by less.
    planes = lay_planes(depth_um=500.0, step_um=33.33, slice_um=33.33, microstep_um=0.625)
    assert set(planes.step_um) == {33.125}
    np.testing.assert_allclose(planes.overlap, (33.33 - 33.125) / 33.33, rtol=1e-9)
    np.testing.assert_allclose(planes.near_um, planes.focus_um - 33.33 / 2, rtol=1e-12)


def test_overlap_is_the_share_of_the_thinner_slice():
    # by hand: slices of 10 um at 0 and 8 um at 6 share (10 + 8)/2 - 6 = 3 um, whichever of them comes first
    deeper_thinner = lay_planes(depth_um=6, step_um=6, slice_um=lambda focus_um: 10 - focus_um / 3, end_frames=0)
    deeper_thicker = lay_planes(depth_um=6, step_um=6, slice_um=lambda focus_um: 8 + focus_um / 3, end_frames=0)
    assert deeper_thinner.overlap.tolist() == deeper_thicker.overlap.tolist() == pytest.approx([3 / 8])


@pytest.mark.parametrize(
    ("depth_um", "lead_error", "end_frames", "ends_um"),
    # by hand, planes every 10 um on whole um: a half um beyond a plane takes one plane more
    [
        (100, 0, 0, (0, 100)),
        (100.5, 0, 0, (0, 110)),
        (100.5, 0, 1, (-10, 120)),
        (100, 0.005, 0, (-10, 110)),
        (1000, 0.01, 0, (-10, 1010)),
    ],
)
def test_the_ends_lie_at_or_beyond_what_is_asked(depth_um, lead_error, end_frames, ends_um):
    planes = lay_planes(depth_um=depth_um, step_um=10, slice_um=12, end_frames=end_frames, lead_error=lead_error)
    assert (planes.focus_um[0], planes.focus_um[-1]) == ends_um


def test_a_hundred_thousand_planes_are_found_in_few_rounds():
    rounds = 0

    def step_um(focus_um):
        nonlocal rounds
        rounds += 1
        return np.full_like(focus_um, 1.0)

    assert lay_planes(depth_um=1e5, step_um=step_um, slice_um=1.0, microstep_um=0.25).frame_count == 100_003
    assert rounds < 200  # one for each plane if they were laid one by one


# --- the rear standard moves -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Bellows:
    """A thin lens with the sensor on the rail, from the lens equation alone; lengths in um."""

    focal_um: float
    magnification: float
    f_number: float

    def m(self, z_um):
        return self.focal_um / (self.focal_um / self.magnification + z_um)

    def dof_um(self, z_um):
        # Quarter-wave depth at 0.55 um with NA = m / (2 N (1 + m)).
        return 0.55 * (2 * self.f_number * (1 + self.m(z_um)) / self.m(z_um)) ** 2

    def rail_um(self, z_um):
        return self.focal_um * (self.magnification - self.m(z_um))

    def focus_um(self, rail_um):
        m = self.magnification - rail_um / self.focal_um
        return self.focal_um / m - self.focal_um / self.magnification


@st.composite
def bellows_requests(draw):
    bellows = Bellows(
        focal_um=draw(st.sampled_from([35e3, 50e3, 80e3, 105e3])),
        magnification=draw(st.floats(0.5, 5)),
        f_number=draw(st.sampled_from([2.8, 4.0, 5.6, 8.0])),
    )
    unit_um = draw(st.sampled_from([0.3125, 0.625, 1.25, 5.0]))
    overlaps = st.floats(0, 0.8)
    depth_um = draw(st.floats(1, 8000))
    edges = sorted(draw(st.tuples(st.floats(-20, depth_um), st.floats(0, depth_um + 20))))
    zones = ((*edges, draw(overlaps)),) if edges[1] > edges[0] and draw(st.booleans()) else ()
    return bellows, unit_um, draw(overlaps), depth_um, zones, draw(st.integers(0, 3))


def laid_by_rear_standard(bellows, unit_um, overlap, depth_um, zones, end_frames):
    return lay_planes(
        depth_um=depth_um,
        step_um=lambda z_um: bellows.dof_um(z_um) * (1 - overlap),
        slice_um=bellows.dof_um,
        microstep_um=unit_um,
        zones=tuple(
            zone(start, end, lambda z_um, share=1 - asked: bellows.dof_um(z_um) * share) for start, end, asked in zones
        ),
        end_frames=end_frames,
        lead_error=0.003,
        rail_map=FocusRailMap(to_rail_um=bellows.rail_um, to_focus_um=bellows.focus_um),
    )


@settings(max_examples=examples(200), deadline=None)
@given(drawn=bellows_requests(), more=st.floats(0, 0.05))
def test_rear_standard_asking_for_more_never_gives_fewer_frames(drawn, more):
    bellows, unit_um, overlap, depth_um, zones, end_frames = drawn
    frames = laid_by_rear_standard(*drawn).frame_count
    assert laid_by_rear_standard(bellows, unit_um, overlap + more, depth_um, zones, end_frames).frame_count >= frames
    finer = (0.0, depth_um / 2, overlap + more)
    assert laid_by_rear_standard(bellows, unit_um, overlap, depth_um, (*zones, finer), end_frames).frame_count >= frames


@settings(max_examples=examples(300), deadline=None)
@given(drawn=bellows_requests())
def test_rear_standard_step_by_step(drawn):
    bellows, unit_um, overlap, depth_um, zones, end_frames = drawn
    planes = laid_by_rear_standard(*drawn)
    laid = planes.position_microsteps.tolist()
    np.testing.assert_allclose(planes.rail_um, planes.position_microsteps * unit_um, rtol=1e-15)
    np.testing.assert_allclose(bellows.rail_um(planes.focus_um), planes.rail_um, atol=1e-6)
    assert 0 in laid
    assert planes.focus_um[0] <= -0.003 * depth_um
    assert planes.focus_um[-1] >= 1.003 * depth_um * (1 - 1e-12)
    assert sum(stop < 0 for stop in laid) >= end_frames

    def allowed(front, back):
        """Whether two stops may be neighbours, with the noise that rounding forgives in rail steps."""
        z, z_back = bellows.focus_um(front * unit_um), bellows.focus_um(back * unit_um)
        noise_um = 2 * NOISE_STEPS * unit_um / bellows.m(z_back) ** 2
        shares = [overlap]
        shares += [asked for start, end, asked in zones if min(z_back, end) - max(z, start) > noise_um]
        return z_back - z <= bellows.dof_um(z) * (1 - max(shares)) + noise_um

    at_zero = laid.index(0)
    for index, (front, back) in enumerate(pairwise(laid)):
        assert allowed(front, back)
        # One rail step more would be too far: outward from 0 every step is the largest allowed.
        assert not (allowed(front, back + 1) if index >= at_zero else allowed(front - 1, back))
    # Share of the thinner slice, from the ends of the slices.
    shared_um = np.minimum(planes.far_um[:-1], planes.far_um[1:]) - np.maximum(planes.near_um[:-1], planes.near_um[1:])
    thinner_um = np.minimum(planes.slice_um[:-1], planes.slice_um[1:])
    np.testing.assert_allclose(planes.overlap, shared_um / thinner_um, atol=1e-9)
    assert np.all(planes.overlap >= overlap - 1e-8)
    depths_um = np.linspace(0, depth_um, 500)[:, np.newaxis]
    assert np.all(np.any((planes.near_um - 1e-6 <= depths_um) & (depths_um <= planes.far_um + 1e-6), axis=1))


def test_rear_standard_rail_travel_is_about_m_squared_times_the_depth():
    # Derived: longitudinal magnification m_front * m_back; here 2 * 2/(1 + 2 * 1/50).
    bellows = Bellows(focal_um=50e3, magnification=2.0, f_number=4.0)
    planes = lay_planes(
        depth_um=1000.0,
        step_um=lambda z_um: bellows.dof_um(z_um) / 2,
        slice_um=bellows.dof_um,
        microstep_um=0.01,
        end_frames=0,
        rail_map=FocusRailMap(to_rail_um=bellows.rail_um, to_focus_um=bellows.focus_um),
    )
    assert planes.rail_um[-1] / planes.focus_um[-1] == pytest.approx(
        2 * 2 / (1 + 2 * planes.focus_um[-1] / 50e3), rel=1e-9
    )


# --- refusals ----------------------------------------------------------------------------------------------------

REMEDY = "ask for less overlap, or get thicker slices from a larger f-number or a lower magnification."


@pytest.mark.parametrize(
    ("request_", "found"),
    [
        ({"step_um": 0.4, "microstep_um": 0.625}, "A step of 0.4 um"),
        (
            {"step_um": 40.0, "microstep_um": 0.625, "zones": (zone(250, 300.5, 0.6),)},
            "A step of 0.6 um in the zone from 250 to 300.5 um",
        ),
        (
            {"step_um": 40.0, "microstep_um": 0.625, "zones": (zone(250, 251.2, 0.6),)},
            "A step of 0.6 um in the zone from 250 to 251.2 um",
        ),
        (
            {"step_um": 40.0, "microstep_um": 0.625, "zones": (zone(-20, -10, 0.6),), "end_frames": 2},
            "A step of 0.6 um in the zone from -20 to -10 um",
        ),
        (
            {
                "step_um": 0.3,
                "microstep_um": 0.625,
                "rail_map": FocusRailMap(to_rail_um=lambda z: 2 * z, to_focus_um=lambda r: r / 2),
            },
            "A step of 0.3 um at depth 0 um, 0.6 um of rail,",
        ),
    ],
)
def test_a_step_under_one_microstep_is_refused(request_, found):
    with pytest.raises(Refusal) as caught:
        lay_planes(**({"depth_um": 500.0, "slice_um": 50.0} | request_))
    assert str(caught.value) == (
        f"{found} is under one microstep of the rail (0.625 um); use a rail that moves finer (a smaller lead, more"
        f" microsteps per full step, a reduction), {REMEDY}"
    )
    assert (caught.value.key, caught.value.code) == ("rail", "step_under_microstep")


def test_a_step_under_a_micrometre_needs_a_rail():
    with pytest.raises(Refusal) as caught:
        stops(depth_um=500.0, step_um=0.4)
    assert str(caught.value) == (
        "A step of 0.4 um is under 1 um, and without a rail steps are whole um; describe the rail that will make"
        f" them, {REMEDY}"
    )
    assert caught.value.key == "rail"


def test_a_step_of_one_microstep_is_not_refused():
    assert stops(depth_um=1.25, step_um=0.625, microstep_um=0.625) == [0, 1, 2]


@pytest.mark.parametrize("end_frames", [0, 2 * MAX_FRAMES])
def test_too_many_frames_are_refused(end_frames):
    with pytest.raises(Refusal, match="more than 1,000,000 frames") as caught:
        stops(depth_um=1e7 if end_frames == 0 else 10.0, step_um=1.0, end_frames=end_frames)
    assert caught.value.key == "subject.depth_mm"


@pytest.mark.parametrize("depth_um", [1e300, math.inf, math.nan])
def test_a_depth_that_cannot_be_counted_is_refused(depth_um):
    with pytest.raises(Refusal, match="cannot be reached in rail steps") as caught:
        stops(depth_um=depth_um)
    assert caught.value.key == "subject.depth_mm"
