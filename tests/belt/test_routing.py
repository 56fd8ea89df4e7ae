"""Which way a belt runs, and every kind of drive that cannot exist."""

from dataclasses import replace
from math import nan

import numpy as np
import pytest

from fleetbelt.belt import Pulley, route_belt, trace_belt
from fleetbelt.errors import InputError


def _pulley(name, x_mm, y_mm, diameter_mm, side="ribbed"):
    return Pulley(name=name, x_mm=x_mm, y_mm=y_mm, diameter_mm=diameter_mm, side=side)


def _deep_idler():
    """An idler between two pulleys, low enough to push on either strand."""
    return (
        _pulley("left", 0, 0, 100),
        _pulley("right", 500, 0, 100),
        _pulley("idler", 250, -5, 30, "back"),
    )


def test_the_direction_of_the_list_is_found(pulleys, drive):
    mirrored = [replace(pulley, x_mm=-pulley.x_mm) for pulley in pulleys]

    belt = route_belt(mirrored)

    assert belt.length_mm == pytest.approx(drive.length_mm, rel=1e-12)
    np.testing.assert_array_equal(drive.sense, [1, -1, 1, 1])
    np.testing.assert_array_equal(belt.sense, [-1, 1, -1, -1])


def test_two_pulleys_are_listed_counter_clockwise():
    belt = route_belt([_pulley("one", 0, 0, 60), _pulley("two", 100, 30, 80)])

    np.testing.assert_array_equal(belt.sense, [1, 1])


def test_where_both_ways_are_possible_the_shorter_belt_is_meant():
    upper = route_belt(_deep_idler(), is_clockwise=False)
    lower = route_belt(_deep_idler(), is_clockwise=True)

    meant = route_belt(_deep_idler())

    assert lower.length_mm < upper.length_mm - 0.5
    assert meant.length_mm == lower.length_mm


def test_a_direction_that_is_given_is_held_to(pulleys):
    with pytest.raises(InputError, match="No belt can run round these pulleys"):
        route_belt(pulleys, is_clockwise=True)


def test_overlapping_pulleys_are_named(pulleys):
    near = replace(pulleys[1], y_mm=80.0)

    with pytest.raises(InputError, match="crankshaft and water_pump overlap"):
        route_belt([pulleys[0], near, *pulleys[2:]])


def test_pulleys_in_the_wrong_order_are_refused(pulleys):
    crank, pump, alternator, compressor = pulleys

    with pytest.raises(InputError, match="check the order") as caught:
        route_belt([crank, alternator, pump, compressor])

    assert "crankshaft, alternator, water_pump, compressor" in caught.value.where


@pytest.mark.parametrize("wrong", [2, 3])
def test_a_pulley_on_the_wrong_side_is_refused(pulleys, wrong):
    sides = [
        replace(p, side="back") if k == wrong else p for k, p in enumerate(pulleys)
    ]

    with pytest.raises(InputError, match="No belt can run round these pulleys"):
        route_belt(sides)


def test_a_span_through_a_pulley_is_named():
    ring = [
        _pulley("a", 0, 0, 60),
        _pulley("c", 400, 0, 60),
        _pulley("d", 200, 300, 60),
        _pulley("b", 200, -10, 60),
    ]

    with pytest.raises(InputError, match="the span after a would run through b"):
        route_belt(ring)


def test_a_belt_that_crosses_itself_names_the_impossible_wrap():
    eight = [
        _pulley("a", 0, 0, 40),
        _pulley("b", 400, 300, 40),
        _pulley("c", 400, 0, 40),
        _pulley("d", 0, 300, 40),
    ]

    with pytest.raises(InputError, match=r"cross itself and wrap \d+ degrees round"):
        route_belt(eight)


def test_a_pulley_the_belt_passes_by_is_named():
    """Three equal pulleys in a row under a fourth: the middle one is only grazed."""
    with pytest.raises(InputError, match="does not touch middle"):
        route_belt(
            [
                _pulley("left", 0, 0, 60),
                _pulley("middle", 200, 0, 60),
                _pulley("right", 400, 0, 60),
                _pulley("top", 200, 300, 60),
            ]
        )


def test_an_idler_out_of_reach_of_the_belt_is_refused():
    with pytest.raises(InputError, match="No belt can run round these pulleys"):
        route_belt(
            [
                _pulley("left", 0, 0, 100),
                _pulley("right", 500, 0, 100),
                _pulley("idler", 250, 90, 60, "back"),
            ]
        )


def test_ribs_outside_are_refused():
    with pytest.raises(InputError, match="ribs would face outward"):
        route_belt([_pulley("a", 0, 0, 60, "back"), _pulley("b", 200, 0, 60, "back")])


def test_one_pulley_has_no_belt():
    with pytest.raises(InputError, match=r"A drive of 1 pulley\(s\) has no belt"):
        route_belt([_pulley("crankshaft", 0, 0, 150)])


@pytest.mark.parametrize(
    "changes", [{"x_mm": nan}, {"diameter_mm": 0.0}, {"diameter_mm": nan}]
)
def test_a_pulley_without_a_place_or_a_size_is_refused(pulleys, changes):
    with pytest.raises(InputError, match="water_pump is not a circle"):
        route_belt([pulleys[0], replace(pulleys[1], **changes), *pulleys[2:]])


def test_an_unknown_side_is_refused(pulleys):
    with pytest.raises(InputError, match="compressor uses the side 'front'"):
        route_belt([*pulleys[:3], replace(pulleys[3], side="front")])


def _drawn(belt):
    """Return the belt as a closed line of many points, spans in 30 pieces."""
    points = []
    for k, pulley in enumerate(belt.pulleys):
        centre = pulley.x_mm + 1j * pulley.y_mm
        spoke = belt.meet_mm[k - 1] @ [1, 1j] - centre
        turn = belt.sense[k] * np.linspace(0, belt.wrap_rad[k], 40)
        span = (belt.meet_mm[k] - belt.leave_mm[k]) @ [1, 1j]
        points.append(centre + spoke * np.exp(1j * turn))
        points.append(points[-1][-1] + span * np.linspace(0, 1, 30)[1:-1])
    return np.concatenate(points)


def _is_possible_as_drawn(belt, inward):
    line = _drawn(belt)
    one, other = np.triu_indices(len(line), 2)
    ends = np.roll(line, -1)

    def left(start, end, point):
        return ((end - start).conjugate() * (point - start)).imag

    a, b, c, d = line[one], ends[one], line[other], ends[other]
    noise = -1e-9  # pieces of one span lie on one line
    crosses = (left(a, b, c) * left(a, b, d) < noise) & (
        left(c, d, a) * left(c, d, b) < noise
    )
    area = (line.conjugate() * ends).imag.sum()
    centre = np.array([pulley.x_mm + 1j * pulley.y_mm for pulley in belt.pulleys])
    radius = np.array([pulley.diameter_mm / 2 for pulley in belt.pulleys])
    gap = np.abs(line[:, None] - centre) / radius
    is_inward = np.sign(area) == belt.sense[0] * inward[0]
    return not crosses.any() and gap.min() > 0.985 and is_inward


def test_a_drive_is_refused_just_when_the_line_drawn_is_impossible():
    """Independent: both directions of 300 random drives, drawn point by point."""
    rng = np.random.default_rng(20)
    verdicts = []
    for _ in range(300):
        x_mm, y_mm = rng.uniform(0, 400, (2, 4))
        side = rng.choice(["ribbed", "ribbed", "ribbed", "back"], 4)
        pulleys = [
            _pulley(f"p{k}", x_mm[k], y_mm[k], rng.uniform(30, 80), side[k])
            for k in range(rng.integers(3, 5))
        ]
        inward = np.array([1.0 if p.side == "ribbed" else -1.0 for p in pulleys])
        try:
            drawn = [trace_belt(pulleys, turn * inward) for turn in (1, -1)]
            belt = route_belt(pulleys)
        except InputError as error:
            if "overlap" not in error.what:
                assert not any(_is_possible_as_drawn(belt, inward) for belt in drawn)
                verdicts.append("refused")
        else:
            assert _is_possible_as_drawn(belt, inward)
            verdicts.append("routed")
    assert min(verdicts.count("routed"), verdicts.count("refused")) > 30
