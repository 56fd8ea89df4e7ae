"""A gauge held to dead weights."""

import datetime as dt
import math

import numpy as np
import pytest
from scipy import stats

from fleetbelt.bench.calibrate import calibrate, parse_points
from fleetbelt.bench.calibrate_words import calibration_rows, calibration_text
from fleetbelt.bench.gauging import NoNumberError
from fleetbelt.errors import InputError
from tests.fleets import services

PRACTICE = ["7in:185lbf:167.5", "12in:185lbf:182"]
LBF = 4.4482216152605


def held(*points, **more):
    readings, unit = parse_points(points or PRACTICE)
    return calibrate(readings, unit=unit, **more)


def test_the_two_spans_of_common_practice_have_their_corrections():
    """185 lbf read as 167.5 and 182 lbf (common practice, no source)."""
    short, long = held().spans

    assert short.correction == pytest.approx(1.1044776, abs=1e-6)
    assert long.correction == pytest.approx(1.0164835, abs=1e-6)


def test_adding_ten_per_cent_is_shown_to_be_0_4_per_cent_short():
    assert "the rule of thumb 'add 10 %' would be 0.4 % short here" in (
        calibration_text(held())
    )


def test_nine_inches_are_interpolated_with_the_doubt_about_the_law():
    """1.0566; 0.0064 of the law and 1 % a knot, assumed as nothing was read twice."""
    at = held(span="9in").at

    weight = (1 / 9 - 1 / 12) / (1 / 7 - 1 / 12)
    knots = 0.01 * np.hypot(weight, 1 - weight)
    assert at.correction == pytest.approx(1.0566, abs=0.5e-4)
    assert at.u == pytest.approx(math.hypot(0.0064, knots), abs=0.5e-4)


@pytest.mark.parametrize("span", ["6in", "12.1in"])
def test_beyond_the_spans_there_is_no_correction(span):
    with pytest.raises(NoNumberError, match="give no correction"):
        held(span=span)


def test_a_mass_becomes_a_force_with_local_gravity():
    """185 lb weigh 184.686 lbf where g = 9.79 m/s²."""
    readings, _ = parse_points(["7in:185lb:167.5"], unit="lbf", gravity_m_s2=9.79)

    assert readings["reference_n"].item() / LBF == pytest.approx(184.686, abs=0.5e-3)


def test_intervals_are_students_over_the_pooled_repeats():
    found = held("7in:100N:90,92,91", "12in:100N:98,99,98,97")

    logs = [np.log([0.90, 0.92, 0.91]), np.log([0.98, 0.99, 0.98, 0.97])]
    s = math.sqrt(sum(((x - x.mean()) ** 2).sum() for x in logs) / 5)
    half = stats.t(5).ppf(0.975) * s / math.sqrt(3)
    assert found.repeatability == pytest.approx(s)
    assert found.df == 5
    assert found.spans[0].correction_lo == pytest.approx(
        math.exp(-logs[0].mean() - half)
    )
    assert found.spans[0].correction_hi == pytest.approx(
        math.exp(-logs[0].mean() + half)
    )


def test_as_many_repeats_are_asked_for_as_the_interval_wanted_needs():
    found = held("7in:100N:90,92,91", within=0.005)

    def half(more):
        sd, df = found.repeatability, found.df + more
        return stats.t(df).ppf(0.975) * sd / math.sqrt(3 + more)

    needed = found.spans[0].repeats_needed
    assert half(needed) <= 0.005 < half(needed - 1)
    assert any(f"{needed} reading(s) more" in need for need in found.needed)


def test_a_gauge_whose_ratio_changes_with_the_load_is_told():
    steady = held("7in:50N:45,45.1,44.9", "7in:200N:180,180.4,179.6")
    shifting = held("7in:50N:48,48.1,47.9", "7in:200N:180,180.4,179.6")

    assert not any("changes with the load" in need for need in steady.needed)
    assert any("changes with the load" in need for need in shifting.needed)


def test_what_is_missing_is_said():
    said = " ".join(held().needed)

    assert "Read each load three times" in said
    assert "185 lbf alone" in said
    assert "A third span" in said


def test_a_whole_calibration_needs_nothing_more():
    points = [
        f"{span}:{load}lbf:{load * ratio:.2f},{load * ratio * 1.001:.2f}"
        for span, ratio in (("7in", 0.9), ("10in", 0.95), ("20in", 0.99))
        for load in (80, 120, 180)
    ]

    found = held(*points)

    assert found.needed == ()
    assert "Nothing more is needed." in calibration_text(found)


@pytest.mark.parametrize(
    "point",
    ["7in:185", "7:185lbf:167", "7in:185oz:167", "7in:185lbf:", "7in:185lbf:a",
     "7in:0lbf:1", "7in:185lbf:0", "7in:185lbf:-1", "0in:185lbf:167", "", "7in:1:2:3"],
)  # fmt: skip
def test_what_is_no_dead_weight_result_is_refused(point):
    with pytest.raises(InputError, match="no dead-weight result"):
        parse_points([point])


def test_a_mass_alone_does_not_say_what_the_gauge_shows():
    with pytest.raises(InputError, match="unit that the gauge shows"):
        parse_points(["7in:80kg:170"])


@pytest.mark.parametrize("gravity", [9.7, 32.17, math.nan])
def test_gravity_is_that_of_the_earth(gravity):
    with pytest.raises(InputError, match="gravity"):
        parse_points(PRACTICE, gravity_m_s2=gravity)


def test_the_rows_for_the_records_give_the_same_corrections_there(compute):
    readings, unit = parse_points(["7in:185lbf:167.5,168", "12in:185lbf:182,181"])
    rows = calibration_rows(
        readings, unit=unit, gauge_id="G-01", day=dt.date(2019, 5, 2)
    )

    table = compute(
        services=services({"reading_found": 100}),
        calibrations=list(rows.with_columns(date=rows["date"].cast(str)).to_dicts()),
    )

    ours = [one.correction for one in calibrate(readings, unit=unit).spans]
    theirs = table("results.gauge_curves").sort("span_mm")["correction"].to_list()
    assert theirs == pytest.approx(ours, rel=1e-4)
