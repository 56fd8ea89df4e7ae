"""Lengths and angles of a drive; rows GEO of the checks (textbook rows: published)."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from fleetbelt.belt import (
    PK_OFFSET_MM,
    Layout,
    Pulley,
    adjuster,
    at_offset,
    crossed_belt,
    length_at_offset_mm,
    open_belt,
    route_belt,
    speed_ratio,
    trace_belt,
)
from fleetbelt.errors import InputError
from fleetbelt.units import MM_PER_INCH

steady = settings(derandomize=True, deadline=None, max_examples=60)

SHIGLEY_PAIR = (
    Pulley(name="small", x_mm=0, y_mm=0, diameter_mm=6 * MM_PER_INCH),
    Pulley(name="large", x_mm=96 * MM_PER_INCH, y_mm=0, diameter_mm=18 * MM_PER_INCH),
)


@st.composite
def loops(draw, *, with_back=True):
    """Draw a drive that exists: ribbed pulleys in a ring, some spans pushed inward."""
    n = draw(st.integers(3, 6))
    part = st.floats(-1.0, 1.0)
    angle = 2 * np.pi * (np.arange(n) + 0.2 * np.array(draw(_several(part, n)))) / n
    radius = 35 + 10 * np.array(draw(_several(part, n)))
    ring = [
        Pulley(
            name=f"ribbed_{k}",
            x_mm=300 * np.cos(angle[k]),
            y_mm=250 * np.sin(angle[k]),
            diameter_mm=2 * radius[k],
        )
        for k in range(n)
    ]
    belt, pulleys = route_belt(ring, is_clockwise=False), []
    for k in range(n):
        pulleys.append(ring[k])
        if with_back and draw(st.booleans()):
            pulleys.append(_idler(belt, k, push_mm=10 + 5 * draw(part)))
    return tuple(pulleys)


def _several(strategy, n):
    return st.lists(strategy, min_size=n, max_size=n)


def _idler(belt, k, push_mm):
    middle = (belt.leave_mm[k] + belt.meet_mm[k]) / 2
    heading = belt.heading_rad[k]
    outward = np.array([np.sin(heading), -np.cos(heading)])
    x_mm, y_mm = middle + (40 - push_mm) * outward
    return Pulley(name=f"back_{k}", x_mm=x_mm, y_mm=y_mm, diameter_mm=80, side="back")


def _polyline_mm(belt: Layout, steps_per_arc: int = 2000) -> float:
    """Measure the belt along many short chords, points from rotation alone."""
    points = []
    for k, pulley in enumerate(belt.pulleys):
        centre = np.array([pulley.x_mm, pulley.y_mm])
        spoke = belt.meet_mm[k - 1] - centre
        turn = belt.sense[k] * np.linspace(0, belt.wrap_rad[k], steps_per_arc)
        points.append((spoke @ [1, 1j]) * np.exp(1j * turn) + centre @ [1, 1j])
    line = np.concatenate([*points, points[0][:1]])
    return float(np.abs(np.diff(line)).sum())


def test_a_crossed_belt_wraps_both_pulleys_alike():
    """GEO-4, derived; inches."""
    belt = crossed_belt(
        small_mm=6 * MM_PER_INCH, large_mm=18 * MM_PER_INCH, centre_mm=96 * MM_PER_INCH
    )

    assert belt.wrap_small_rad == pytest.approx(3.392248, abs=5e-7)
    assert belt.wrap_large_rad == pytest.approx(3.392248, abs=5e-7)
    assert belt.length_mm / MM_PER_INCH == pytest.approx(231.2011, abs=5e-5)


@pytest.mark.parametrize(
    ("sense", "belt_of"), [([1, 1], open_belt), ([1, -1], crossed_belt)]
)
def test_any_drive_of_two_pulleys_is_the_textbook_s(sense, belt_of):
    """GEO-5, derived: reproduces GEO-1 and GEO-4."""
    small, large = SHIGLEY_PAIR
    book = belt_of(
        small_mm=small.diameter_mm, large_mm=large.diameter_mm, centre_mm=large.x_mm
    )

    belt = trace_belt(SHIGLEY_PAIR, sense)

    assert belt.length_mm == pytest.approx(book.length_mm, rel=1e-12)
    np.testing.assert_allclose(belt.span_mm, book.span_mm, rtol=1e-12)
    np.testing.assert_allclose(
        belt.wrap_rad, [book.wrap_small_rad, book.wrap_large_rad], rtol=1e-12
    )


def test_three_equal_pulleys_keep_the_triangle_of_their_centres():
    """GEO-6, derived: 3-4-5."""
    corners = [(0, 0), (300, 0), (0, 400)]
    belt = route_belt(
        [Pulley(name=f"{x}", x_mm=x, y_mm=y, diameter_mm=100) for x, y in corners]
    )

    np.testing.assert_allclose(belt.span_mm, [300, 500, 400], rtol=1e-12)
    np.testing.assert_allclose(
        np.degrees(belt.wrap_rad), [90, 126.8699, 143.1301], atol=5e-5, rtol=0
    )
    assert belt.length_mm == pytest.approx(1200 + 100 * np.pi, rel=1e-12)


def test_a_drive_with_a_back_side_pump_has_its_spans_wraps_and_length(drive):
    """GEO-7, derived; polyline check 1252.28263."""
    np.testing.assert_allclose(
        drive.span_mm, [145.0, 140.0, 332.8663, 232.7552], atol=5e-5, rtol=0
    )
    np.testing.assert_allclose(
        np.degrees(drive.wrap_rad),
        [137.3315, 31.6050, 142.7022, 111.5713],
        atol=5e-5,
        rtol=0,
    )
    assert drive.length_mm == pytest.approx(1252.2826, abs=5e-5)
    assert np.degrees(drive.sense @ drive.wrap_rad) == pytest.approx(360, rel=1e-12)
    assert _polyline_mm(drive, 200_000) == pytest.approx(1252.28263, abs=5e-6)


def test_the_span_to_the_pump_touches_where_it_should(drive):
    """GEO-8, derived."""
    np.testing.assert_allclose(drive.leave_mm[0], [73.1707, 16.4634], atol=5e-5, rtol=0)
    np.testing.assert_allclose(drive.meet_mm[0], [41.3415, 157.9268], atol=5e-5, rtol=0)
    assert np.degrees(drive.heading_rad[0]) == pytest.approx(102.6804, abs=5e-5)


@pytest.mark.parametrize(
    ("offset_mm", "longer_mm"), [(2.0, 12.566371), (1.6, 10.053096)]
)
def test_the_pitch_line_is_longer_by_one_turn_of_the_offset(
    drive, offset_mm, longer_mm
):
    """GEO-9, derived; 1.6 mm is a value from memory."""
    pitch = route_belt(at_offset(drive.pulleys, offset_mm))

    assert pitch.length_mm - drive.length_mm == pytest.approx(longer_mm, abs=5e-7)
    assert length_at_offset_mm(drive.length_mm, offset_mm) == pytest.approx(
        pitch.length_mm, rel=1e-12
    )


def test_a_millimetre_of_slot_takes_up_more_than_one_of_belt(drive):
    """GEO-10, derived."""
    effect = adjuster(drive, pulley=2, slot_rad=np.radians(100.0), axial_n=120e3)

    assert effect.belt_mm_per_mm == pytest.approx(1.278444, abs=5e-7)
    assert effect.tension_n_per_mm == pytest.approx(122.51, abs=5e-3)


def test_speeds_follow_the_pitch_diameters():
    """GEO-12, derived: effective diameters would be 3.9 per cent out."""
    ratio = speed_ratio(driver_mm=150.0, driven_mm=60.0, offset_mm=2.0)

    assert ratio == pytest.approx(2.40625, rel=1e-15)
    assert 150.0 / 60.0 / ratio - 1 == pytest.approx(0.039, abs=5e-4)


@steady
@given(loops())
def test_a_simple_loop_turns_once(pulleys):
    belt = route_belt(pulleys)

    assert belt.sense @ belt.wrap_rad == pytest.approx(2 * np.pi, rel=1e-10)


@steady
@given(loops(), st.floats(0.1, 5.0))
def test_every_simple_loop_grows_by_one_turn_of_the_offset(pulleys, offset_mm):
    belt = route_belt(pulleys)

    pitch = route_belt(at_offset(pulleys, offset_mm))

    assert pitch.length_mm == pytest.approx(
        length_at_offset_mm(belt.length_mm, offset_mm), rel=1e-12
    )
    np.testing.assert_allclose(pitch.wrap_rad, belt.wrap_rad, atol=1e-9)


@steady
@given(loops())
def test_the_length_is_that_of_the_line_drawn(pulleys):
    belt = route_belt(pulleys)

    assert _polyline_mm(belt) == pytest.approx(belt.length_mm, rel=1e-7)


@steady
@given(loops(with_back=False))
def test_ribbed_pulleys_in_a_ring_are_wrapped_by_their_convex_hull(pulleys):
    """Independent: the hull of points on the rims, its perimeter as the belt."""
    turn = np.exp(2j * np.pi * np.arange(3000) / 3000)
    rims = np.concatenate(
        [p.x_mm + 1j * p.y_mm + p.diameter_mm / 2 * turn for p in pulleys]
    )

    hull = ConvexHull(np.column_stack((rims.real, rims.imag)))

    assert route_belt(pulleys).length_mm == pytest.approx(hull.area, rel=1e-5)


@steady
@given(loops())
def test_spans_touch_their_pulleys_and_lie_square_to_the_spokes(pulleys):
    belt = route_belt(pulleys)
    centre = np.array([(p.x_mm, p.y_mm) for p in pulleys])
    radius = np.array([p.diameter_mm / 2 for p in pulleys])
    spoke, run = belt.leave_mm - centre, belt.meet_mm - belt.leave_mm

    np.testing.assert_allclose(np.hypot(*spoke.T), radius, rtol=1e-12)
    np.testing.assert_allclose(np.hypot(*run.T), belt.span_mm, rtol=1e-9)
    np.testing.assert_allclose((spoke * run).sum(axis=1), 0, atol=1e-7)


@steady
@given(loops(), st.floats(-np.pi, np.pi), st.integers(0, 20))
def test_adjuster_travel_agrees_with_moving_the_pulley(pulleys, slot_rad, which):
    belt, k = route_belt(pulleys), which % len(pulleys)

    def length_mm(travel_mm):
        there = replace(
            pulleys[k],
            x_mm=pulleys[k].x_mm + travel_mm * np.cos(slot_rad),
            y_mm=pulleys[k].y_mm + travel_mm * np.sin(slot_rad),
        )
        moved = [*pulleys[:k], there, *pulleys[k + 1 :]]
        return trace_belt(moved, belt.sense).length_mm

    effect = adjuster(belt, pulley=k, slot_rad=slot_rad, axial_n=120e3)

    slope = (length_mm(1e-3) - length_mm(-1e-3)) / 2e-3
    assert effect.belt_mm_per_mm == pytest.approx(slope, abs=1e-6)
    assert effect.tension_n_per_mm == pytest.approx(
        120e3 * slope / belt.length_mm, abs=1e-3
    )


@steady
@given(loops())
def test_a_drive_in_inches_has_the_same_angles(pulleys):
    inches = [
        replace(
            p,
            x_mm=p.x_mm / MM_PER_INCH,
            y_mm=p.y_mm / MM_PER_INCH,
            diameter_mm=p.diameter_mm / MM_PER_INCH,
        )
        for p in pulleys
    ]

    metric, imperial = route_belt(pulleys), route_belt(inches)

    assert imperial.length_mm * MM_PER_INCH == pytest.approx(
        metric.length_mm, rel=1e-12
    )
    np.testing.assert_allclose(imperial.wrap_rad, metric.wrap_rad, atol=1e-9)


@steady
@given(loops())
def test_a_drive_listed_the_other_way_round_has_the_same_belt(pulleys):
    forward, backward = route_belt(pulleys), route_belt(pulleys[::-1])

    assert backward.length_mm == pytest.approx(forward.length_mm, rel=1e-12)
    np.testing.assert_allclose(backward.wrap_rad[::-1], forward.wrap_rad, atol=1e-9)
    np.testing.assert_allclose(backward.sense[::-1], -forward.sense)


@steady
@given(st.floats(20, 200), st.floats(20, 200), st.floats(1.01, 20))
def test_open_belts_are_shorter_than_crossed_ones(one_mm, other_mm, apart):
    small_mm, large_mm = sorted((one_mm, other_mm))
    centre_mm = apart * (small_mm + large_mm) / 2

    straight = open_belt(small_mm=small_mm, large_mm=large_mm, centre_mm=centre_mm)
    across = crossed_belt(small_mm=small_mm, large_mm=large_mm, centre_mm=centre_mm)

    assert straight.length_mm < across.length_mm
    assert straight.wrap_small_rad + straight.wrap_large_rad == pytest.approx(2 * np.pi)


def test_two_pulleys_that_overlap_have_no_belt():
    with pytest.raises(InputError, match="two pulleys overlap"):
        open_belt(small_mm=60.0, large_mm=100.0, centre_mm=[200.0, 80.0])


def test_a_pulley_inside_its_neighbour_has_no_tangent():
    outer = Pulley(name="outer", x_mm=0, y_mm=0, diameter_mm=200)
    inner = Pulley(name="inner", x_mm=10, y_mm=0, diameter_mm=50)

    with pytest.raises(InputError, match="No belt can run from outer to inner"):
        trace_belt([outer, inner], [1, 1])


def test_the_nominal_offset_is_two_millimetres():
    """ISO 9981:2020, 5.4, value opened; the default of the speed ratio."""
    assert pytest.approx(2.0, abs=0) == PK_OFFSET_MM
    assert speed_ratio(driver_mm=150.0, driven_mm=60.0) == pytest.approx(2.40625)
