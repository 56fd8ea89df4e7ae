"""A question at the bench and its answer, from the records of a small shop."""

import math
from dataclasses import replace

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbelt.belt.drive import pulley_estimates
from fleetbelt.bench.gauging import NoNumberError
from fleetbelt.bench.question import Question, answer
from fleetbelt.bench.words import answer_text, doubts, on_scale
from fleetbelt.errors import InputError
from fleetbelt.store import frames
from fleetbelt.store.database import connect

LBF = 4.4482216152605


def ask(records, gauge="A", vehicle="V1", span="9in", **more):
    return answer(
        records, Question(gauge_id=gauge, vehicle_id=vehicle, span=span, **more)
    )


@pytest.fixture(scope="module")
def in_results(database):
    """The results' own row of a reading, by service."""
    with connect(database, read_only=True) as connection:
        found = frames.read(connection, "from results.tension_readings")
    return lambda service: found.row(
        by_predicate=pl.col("service_id") == service, named=True
    )


@settings(max_examples=50, deadline=None)
@given(
    data=st.data(),
    gauge=st.sampled_from(["A", "B", "K", "never", "hertz"]),
    share=st.floats(0, 1),
)
def test_what_the_gauge_must_show_means_the_target_when_it_is_read(
    records, data, gauge, share
):
    spans = records.fit.curves.filter(gauge_id=gauge)["span_mm"].to_list() or [90, 600]
    span_mm = spans[0] + share * (spans[-1] - spans[0])
    state = data.draw(st.sampled_from(["new", "used"]))

    asked = ask(records, gauge, span=f"{span_mm:.6f}mm")
    target = asked.targets[state]
    turned = ask(records, gauge, span=f"{span_mm:.6f}mm", readings=(target.target,))

    assert turned.found.tension_n == pytest.approx(target.middle_n, rel=1e-12)
    assert turned.judgements[state].turn == pytest.approx(0, abs=1e-9)
    assert turned.judgements[state].p_in == pytest.approx(target.p_in)


@pytest.mark.parametrize(
    ("service", "gauge", "shown", "n"),
    [("S1", "A", 100, 1), ("S2", "B", 520, 3), ("S3", "hertz", 130, 1),
     ("S4", "never", 90, 1)],
)  # fmt: skip
def test_a_reading_means_at_the_bench_what_it_means_in_the_results(
    records, in_results, service, gauge, shown, n
):
    theirs = in_results(service)

    ours = ask(records, gauge, readings=(shown,) * n)

    found, judged = ours.found, ours.judgements["used"]
    assert found.tension_n == pytest.approx(theirs["tension_n"], rel=1e-9)
    assert found.tension_n * found.u_log == pytest.approx(theirs["tension_u_n"])
    assert ours.scale.correction == pytest.approx(theirs["correction"])
    assert ours.scale.correction_source == theirs["correction_source"]
    assert judged.p_under == pytest.approx(theirs["p_under"])
    assert judged.verdict == theirs["verdict"]


def test_nine_inches_lie_between_the_calibrated_spans(records):
    """1.0566, of which 0.64 % is the law's and the rest the knots' own."""
    scale = ask(records).scale

    assert scale.correction == pytest.approx(1.0566, abs=0.5e-4)
    assert scale.correction_source == "between_spans"
    assert scale.u_corr > 0.0064


@pytest.mark.parametrize("span", ["6in", "6.9in", "12.1in"])
def test_a_span_beyond_the_calibrated_ones_gets_no_number_but_what_to_do(records, span):
    with pytest.raises(NoNumberError) as refused:
        ask(records, span=span)

    fix = refused.value.fix
    assert refused.value.exit_code == 2
    assert "known loads from 95 to 180 lbf" in fix
    assert "3 readings of each" in fix
    assert "or measure on crankshaft-alternator" in fix


def test_more_repeats_are_asked_of_a_gauge_that_repeats_itself_badly(records):
    """s = 3 % against a quarter of a 2 % field reading: (3 / 0.5)**2 = 36 readings."""
    curves = records.fit.curves.with_columns(repeatability=pl.lit(0.03))
    shaky = replace(records, fit=replace(records.fit, curves=curves), reading_sd=0.02)

    with pytest.raises(NoNumberError, match="12 readings of each"):
        ask(shaky, span="6in")


def test_a_gauge_never_calibrated_says_so_with_the_others_as_its_doubt(records):
    found = ask(records, "never")

    squares = dict(
        records.fit.curves.group_by("gauge_id")
        .agg((pl.col("log_ratio") ** 2).mean())
        .iter_rows()
    )
    setting = records.settings.measurement.uncalibrated_u
    fleet = (sum(squares.values()) + 2 * setting**2) / (len(squares) + 2)
    shop = (squares["A"] + squares["B"] + 2 * fleet) / 4
    assert found.scale.correction == 1
    assert found.scale.correction_source == "pooled"
    assert found.scale.u_corr == pytest.approx(math.sqrt(shop))
    assert "NEVER CALIBRATED" in answer_text(found)


def test_another_gauge_of_the_shop_is_named_where_it_is_surer(records):
    found = ask(records, "never", span="300mm").surer

    assert found.gauge.gauge_id in {"A", "B"}
    assert found.p_in > found.p_in_asked + 0.005


def test_a_frequency_without_the_mass_of_the_belt_is_refused(records):
    with pytest.raises(NoNumberError, match="belt_mass_g_per_m"):
        ask(records, "hertz", vehicle="V2")


@pytest.mark.parametrize("span", ["19mm", "3001mm", "120in"])
@pytest.mark.parametrize("gauge", ["hertz", "never"])
def test_a_length_that_no_span_has_is_refused_whatever_the_gauge(records, gauge, span):
    with pytest.raises(InputError, match=r"(?s)No span .*from 20 mm to 3000 mm"):
        ask(records, gauge, span=span)


def test_no_span_is_longer_than_half_its_belt(records):
    of_1500_mm = records.drives.with_columns(belt_length_mm=pl.lit(1500.0))
    known = replace(records, drives=of_1500_mm)

    assert ask(known, "hertz", span="750mm").span.length_mm == 750
    with pytest.raises(InputError, match=r"to 750 mm, half of its belt's 1500 mm"):
        ask(known, "hertz", span="751mm")


def test_a_drive_without_a_range_gets_no_number_and_no_guess(records):
    found = ask(records, vehicle="V3", readings=(100,))

    assert found.targets == {"new": None, "used": None}
    assert found.judgements["used"].verdict == "no_spec"
    assert found.found.tension_n == pytest.approx(100 * LBF * found.scale.correction)
    assert "never a guess" in answer_text(found)


def test_without_a_span_the_longest_in_reach_with_a_number_is_taken(records):
    """400 mm is beyond gauge A, within gauge B."""
    assert ask(records, "A", span=None).span.name == "crankshaft-alternator"
    assert ask(records, "B", span=None).span.name == "water_pump-crankshaft"


def test_without_a_span_and_without_pulleys_one_has_to_be_given(records):
    with pytest.raises(InputError, match="No span is given"):
        ask(records, vehicle="V2", span=None)


def test_the_second_drive_of_a_vehicle_is_known_by_its_belts(records):
    assert ask(records, vehicle="V2", drive_id="D1").subject.drive_id == "D1"
    with pytest.raises(InputError, match="no belt on drive 'D3'"):
        ask(records, vehicle="V2", drive_id="D3")


@pytest.mark.parametrize(
    "wrong", [{"vehicle": "V7"}, {"gauge": "Z"}, {"vehicle": None, "drive_id": "D7"}]
)
def test_what_the_records_do_not_know_is_refused(records, wrong):
    with pytest.raises(InputError, match="No record names"):
        ask(records, **wrong)


def test_targets_beyond_the_calibrated_loads_are_doubtful(records):
    """Gauge A saw 185 lbf alone: it says little of 115, and enough of 175."""
    (said,) = [d for d in doubts(ask(records, span="300mm")) if "calibrated" in d]

    assert "only under 185.0 lbf" in said
    assert "115.0 lbf" in said
    assert "175.0 lbf" not in said


def test_a_span_that_no_gauge_reaches_is_doubtful(records):
    found = ask(records, "B", span="alternator-water_pump")

    assert "A gauge is not known to reach alternator-water_pump." in doubts(found)


def test_limits_are_rounded_into_the_range_on_the_gauges_scale(records):
    found = ask(records, "B", span="12in")
    target = found.targets["used"]

    low, middle, high = map(float, on_scale(found.gauge, target))

    assert 0 <= low - target.low < 2
    assert 0 <= target.high - high < 2
    assert abs(middle - target.target) <= 1
    assert all(x % 2 == 0 for x in (low, middle, high))


def test_hub_loads_at_rest_are_2_t_sin_half_the_wrap(records):
    """Three equal pulleys on a 3-4-5 triangle: the first is wrapped by 90 degrees."""
    layout = ask(records).drive.layout
    assert layout is not None
    limits = {"used": (95 * LBF, 135 * LBF)}
    crank, *_ = pulley_estimates(layout, limits)

    assert crank.wrap_deg == pytest.approx(90)
    assert crank.hub_n["used"] == pytest.approx(
        (math.sqrt(2) * 95 * LBF, math.sqrt(2) * 135 * LBF)
    )
    assert crank.grip == pytest.approx(math.sqrt(5), abs=1e-3)
    e = crank.grip
    assert crank.held_n["used"] == pytest.approx(
        tuple(2 * limit * (e - 1) / (e + 1) for limit in limits["used"])
    )


def test_a_reading_in_another_unit_is_questioned_and_nobody_told_to_turn_by_it(records):
    """115 lbf typed for a gauge that shows newtons."""
    text = answer_text(ask(records, "B", readings=(115,)))

    assert "check the unit and the gauge first" in text
    assert "tighten" not in text
