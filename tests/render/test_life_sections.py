"""Sections on lives, noise, bearings and vehicles: what they say, and without data."""

import polars as pl
import pytest

from fleetbelt.render import (
    avoidable,
    b10,
    cumulative,
    dose,
    effects,
    failures,
    life,
    noise,
    repairs,
    vehicle,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import plain_text

SECTIONS = {
    "life": (life.survival, "results.life_curve"),
    "life-tension": (effects.life, "results.life_effects"),
    "b10": (b10.table, "results.life_by_group"),
    "failures": (failures.by_reason, "pages.belt_ends"),
    "dose": (dose.two_sided, "results.noise_dose"),
    "noise-curve": (cumulative.curves, "results.noise_curve"),
    "avoidable": (avoidable.squeal, "results.noise_avoidable"),
    "repairs": (repairs.price_of_too_tight, "results.repair_rates"),
    "vehicles": (vehicle.vehicles, "results.vehicle_results"),
}


def said(section) -> str:
    return plain_text(section.answer).replace("\xa0", " ")


@pytest.mark.parametrize("key", SECTIONS)
def test_a_section_answers_and_names_its_method(results, key):
    section = SECTIONS[key][0](Frames(results))

    assert section.key == key
    assert said(section)
    assert plain_text(section.caveat)
    assert section.method
    assert not section.missing


@pytest.mark.parametrize("key", SECTIONS)
def test_without_its_table_a_section_says_what_to_record(results, key):
    make, table = SECTIONS[key]
    gone = {table, "results.repair_dose"} if key == "dose" else {table}

    section = make(Frames({k: v for k, v in results.items() if k not in gone}))

    assert section.figure is None
    assert ".csv" in plain_text(section.missing)


def test_a_belt_left_loose_is_said_to_last_so_many_times_as_long(results):
    words = said(effects.life(Frames(results)))

    assert "A belt left loose lasts 0.60 times (95 % interval 0.53 to 0.68)" in words
    assert "p < 0.001" in words
    assert (
        "left over lasts 0.95 times (95 % interval 0.84 to 1.07; no difference" in words
    )


def test_a_difference_that_is_not_shown_is_not_claimed(results):
    tests = results["results.life_tests"].with_columns(p_value=pl.lit(0.4))

    section = effects.life(Frames(results | {"results.life_tests": tests}))

    assert said(section).startswith("That bands differ in life is not shown (p = 0.40)")
    assert "That they differ by model is not shown" in plain_text(section.caveat)


def test_where_no_belt_was_left_in_range_nothing_is_compared_to_it(results):
    outside = results["results.life_effects"].filter(pl.col("level") != "in_spec")

    section = effects.life(Frames(results | {"results.life_effects": outside}))

    assert plain_text(section.missing).startswith("No belt was left in range")


def test_without_a_curve_the_bands_stand_as_dots(results):
    rest = {k: v for k, v in results.items() if k != "results.life_dose"}

    section = effects.life(Frames(rest))

    assert section.figure is not None
    assert section.figure["layout"]["yaxis"]["tickvals"] == "$#"


def test_loose_and_tight_stand_in_one_figure(results):
    section = dose.two_sided(Frames(results))

    assert section.figure is not None
    names = [trace["name"] for trace in section.figure["data"] if "name" in trace]
    assert names == ["squeal complaints", "whine complaints", "bearing repairs"]
    assert "at 50 % of the range's width below its minimum" in said(section)
    assert "at 50 % of the range's width above its maximum" in said(section)


def test_without_repairs_the_figure_says_which_curve_is_missing(results):
    rest = {k: v for k, v in results.items() if k != "results.repair_dose"}

    section = dose.two_sided(Frames(rest))

    assert "Too few for a curve: bearing repairs." in plain_text(section.caption)


def test_belts_never_left_far_outside_are_not_spoken_of(results):
    inside = {
        name: results[name].filter(pl.col("relative").is_between(0, 1))
        for name in ("results.noise_dose", "results.repair_dose")
    }

    words = said(dose.two_sided(Frames(results | inside)))

    assert words.startswith("No belt was left far outside the range")


def test_few_failures_show_the_limits_of_the_profile(results):
    few = results["results.life_by_group"].with_columns(
        failures=pl.lit(12), b10_profile_lo=pl.lit(11_111.0)
    )

    section = b10.table(Frames(results | {"results.life_by_group": few}))

    assert section.table is not None
    assert section.table.frame["b10_lo"].unique().to_list() == [11_111.0]
    assert "95 % interval 11,000 to" in said(section)


def test_the_avoidable_share_carries_its_caution_and_the_test_of_clustering(results):
    section = avoidable.squeal(Frames(results))

    assert "21 % of 212 squeal complaints (95 % interval 11 to 30)" in said(section)
    assert "not what causes what" in plain_text(section.caveat)
    assert "cluster by belt (p < 0.001)" in plain_text(section.caveat)


def test_a_share_that_may_be_nothing_is_said_not_to_be_shown(results):
    none = results["results.noise_avoidable"].with_columns(share_lo=pl.lit(-0.02))

    section = avoidable.squeal(Frames(results | {"results.noise_avoidable": none}))

    assert "is not shown" in said(section)


def test_clustering_of_complaints_is_said_beside_their_rates(results):
    widened = plain_text(noise.slipping(Frames(results)).caveat)
    plain = results["results.noise_rates"].with_columns(widening=pl.lit(1.0))
    even = noise.slipping(Frames(results | {"results.noise_rates": plain}))

    assert "cluster by belt (variance 1.40 times that of chance)" in widened
    assert "That squeal clusters by belt is not shown" in plain_text(even.caveat)


def test_bearings_are_held_against_faults_that_tension_should_not_move(results):
    section = repairs.price_of_too_tight(Frames(results))

    assert "Tight: 1.18 times (95 % interval 0.71 to 2.00" in said(section)
    assert "Other faults, which tension should not move" in plain_text(section.caveat)


def test_where_no_band_is_known_all_belts_have_one_curve(results):
    curve = results["results.life_curve"].filter(band="under")
    unknown = [curve.with_columns(band=pl.lit(band)) for band in ("unknown", "all")]

    section = life.survival(
        Frames(results | {"results.life_curve": pl.concat(unknown)})
    )

    assert "All belts: " in said(section)
    assert section.table is not None
    assert section.table.frame["band"].unique().to_list() == ["all"]


def test_a_vehicle_has_all_its_belts_behind_it(results):
    section, belts = vehicle.vehicles(Frames(results)), vehicle.belts(Frames(results))

    assert section.table is not None
    assert belts is not None
    assert section.table.opens == "vehicle_id"
    counts = belts.frame.group_by("vehicle_id").len()
    assert counts.height == section.table.frame.height
    assert set(counts["len"]) == {3}


def test_only_whole_vehicles_have_belts_in_the_page(results, monkeypatch):
    monkeypatch.setattr(vehicle, "MOST_BELTS", 10)

    belts = vehicle.belts(Frames(results))

    assert belts is not None
    assert belts.frame.height == 9


def test_vehicles_that_a_page_does_not_hold_are_counted_all_the_same(results):
    counts = pl.DataFrame({"n": [7_654_321], "n_more": [543]})

    section = vehicle.vehicles(Frames(results | {"pages.vehicle_counts": counts}))

    assert said(section).startswith("543 of 7,654,321 vehicles")
    assert section.table is not None
    assert "The first 2,000 of 7,654,321 vehicles" in plain_text(section.table.note)
