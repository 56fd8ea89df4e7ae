"""Belts needed: exact counts of unequal chances, and their sums by month."""

import itertools
from datetime import date

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from scipy.special import bdtr, pdtr

from fleetbelt.errors import InputError
from fleetbelt.models.plan_parts import (
    BELTS_IN_USE,
    PARTS,
    count_interval,
    parts_needed,
    poisson_binomial,
)

AS_OF = date(2031, 11, 11)
OWN_AND_WHOLE = (pl.col("drive_no") < 3, pl.col("drive_no") == 4)
LIFE = {"daily_mi": 60.0, "shape": 2.5, "scale_mi": 80_000.0}


def enumerated(p):
    """Chance of each number over all the ways in which events may happen."""
    chance = np.zeros(len(p) + 1)
    for happens in itertools.product((0, 1), repeat=len(p)):
        chance[sum(happens)] += np.prod(np.where(happens, p, 1 - np.asarray(p)))
    return chance


def convolved(p):
    chance = np.ones(1)
    for one in p:
        chance = np.convolve(chance, [1 - one, one])
    return chance


def listed(p):
    least, chance = poisson_binomial(np.asarray(p, dtype=float))
    whole = np.zeros(len(p) + 1)
    whole[least : least + chance.size] = chance
    return whole


def table(*belts):
    return pl.DataFrame(
        [dict.fromkeys(BELTS_IN_USE) | row for row in belts], BELTS_IN_USE
    )


@settings(max_examples=50, deadline=None)
@given(p=st.lists(st.floats(0, 1), max_size=8))
def test_the_chances_are_those_of_every_way_counted(p):
    assert listed(p) == pytest.approx(enumerated(p), abs=1e-13)


@pytest.mark.parametrize("top", [0.001, 0.2, 1.0])
@pytest.mark.parametrize("n", [30, 500, 5000])
def test_many_chances_give_what_adding_one_after_the_other_gives(n, top):
    p = top * np.random.default_rng(n).random(n)

    assert listed(p) == pytest.approx(convolved(p), abs=1e-12)


def test_nearly_certain_events_are_counted_from_their_own_end():
    least, chance = poisson_binomial(np.full(4000, 0.9999))

    assert least > 3900
    assert chance.sum() == pytest.approx(1, abs=1e-12)


def test_equal_chances_give_the_binomial_interval():
    """20 of 0.3: P(N <= 1) = 0.0076, P(N <= 2) = 0.0355; P(N <= 10) = 0.983."""
    count = count_interval(np.full(20, 0.3))

    assert count.expected == pytest.approx(6)
    assert bdtr(count.lo - 1, 20, 0.3) <= 0.025 < bdtr(count.lo, 20, 0.3)
    assert bdtr(count.hi - 1, 20, 0.3) < 0.975 <= bdtr(count.hi, 20, 0.3)


@pytest.mark.parametrize("mean", [0.3, 4.0, 40.0])
def test_rare_events_give_the_interval_of_a_poisson_count(mean):
    count = count_interval(np.full(100_000, mean / 100_000))

    assert count.hi == np.argmax(pdtr(np.arange(200), mean) >= 0.975)


@pytest.mark.parametrize("n", [500, 2000, 20_000])
def test_the_normal_with_continuity_is_within_one_of_exact(n):
    p = np.random.default_rng(n).uniform(0.2, 0.6, n)
    below = np.cumsum(convolved(p))

    count = count_interval(p)

    assert abs(count.lo - np.argmax(below > 0.025)) <= 1
    assert abs(count.hi - np.argmax(below >= 0.975)) <= 1


def test_nothing_and_certainty_have_no_spread():
    nothing, all_of_them = count_interval(np.zeros(0)), count_interval(np.ones(7))

    assert (nothing.expected, nothing.lo, nothing.hi) == (0, 0, 0)
    assert (all_of_them.expected, all_of_them.lo, all_of_them.hi) == (7, 7, 7)


@pytest.mark.parametrize("p", [[0.5, 1.2], [-0.1], [np.nan]])
def test_what_is_no_chance_is_refused(p):
    with pytest.raises(InputError, match="outside 0 to 1"):
        count_interval(np.array(p))


def test_months_begin_where_the_calendar_says():
    needed = parts_needed(table({"drive_no": 4, **LIFE}), as_of=AS_OF, n_months=3)

    assert needed.schema == PARTS
    assert needed["month"].to_list() == [
        date(2031, 11, 1),
        date(2031, 12, 1),
        date(2032, 1, 1),
    ]


def test_belts_needed_are_failures_and_what_is_planned_if_it_lasts():
    """By hand: 20 days of November, 31 of December; planned for 5 December."""
    belt = {"drive_no": 0, "age_mi": 40_000.0, "planned_in_days": 24.0, **LIFE}
    survives = np.exp(0.5**2.5 - ((40_000 + 60 * 20) / 80_000) ** 2.5)

    needed = parts_needed(table(belt), as_of=AS_OF, n_months=3)

    assert needed["expected"].to_list() == pytest.approx([1 - survives, survives, 0])
    assert needed["planned"].to_list() == [0, 1, 0]


def test_failures_over_all_months_are_those_of_the_whole_time():
    rng = np.random.default_rng(0)
    ages = rng.uniform(0, 90_000, 400)
    belts = table(
        *({"drive_no": i % 3, "age_mi": a, **LIFE} for i, a in enumerate(ages))
    )
    days = (date(2032, 5, 1) - AS_OF).days
    whole = 1 - np.exp((ages / 8e4) ** 2.5 - ((ages + 60 * days) / 8e4) ** 2.5)

    needed = parts_needed(belts, as_of=AS_OF, n_months=6)

    assert needed.height == 18
    assert needed["expected"].sum() == pytest.approx(whole.sum(), rel=1e-12)
    assert (needed["lo"] <= needed["expected"]).all()
    assert (needed["expected"] <= needed["hi"]).all()


def test_drives_counted_together_are_counted_as_if_they_were_one():
    ages = np.random.default_rng(0).uniform(0, 90_000, 60)
    rows = [{"drive_no": i % 3, "age_mi": a, **LIFE} for i, a in enumerate(ages)]
    as_one = [{**row, "drive_no": 3} for row in rows if row["drive_no"] > 0]

    needed = parts_needed(table(*rows), as_of=AS_OF, unions=[range(1, 3), range(3)])
    alone = parts_needed(table(*as_one), as_of=AS_OF)

    assert_frame_equal(needed.filter(drive_no=3), alone)
    assert needed["drive_no"].unique().to_list() == [0, 1, 2, 3, 4]
    own, whole = (needed.filter(n)["expected"].sum() for n in OWN_AND_WHOLE)
    assert own == pytest.approx(whole)


def test_the_interval_holds_the_number_as_often_as_it_says():
    """2,000 fleets of 60 belts: at least 95 %, less 4 sd of the simulation."""
    rng = np.random.default_rng(1)
    ages = rng.uniform(0, 90_000, 60)
    belts = table(*({"drive_no": 0, "age_mi": a, **LIFE} for a in ages))
    (needed,) = parts_needed(belts, as_of=AS_OF, n_months=1).to_dicts()
    ends = 8e4 * ((ages / 8e4) ** 2.5 + rng.exponential(1, (2000, 60))) ** (1 / 2.5)
    failed = (ends <= ages + 60 * 20).sum(axis=1)

    cover = np.mean((needed["lo"] <= failed) & (failed <= needed["hi"]))

    assert cover > 0.95 - 4 * np.sqrt(0.95 * 0.05 / 2000)


def test_a_belt_without_life_or_age_is_needed_only_as_planned():
    belts = table(
        {"drive_no": 0, "daily_mi": 60.0, "age_mi": 5.0},
        {"drive_no": 0, **LIFE},
        {"drive_no": 0, "daily_mi": 60.0, "planned_in_days": 0.0},
    )

    needed = parts_needed(belts, as_of=AS_OF, n_months=2)

    assert needed["expected"].to_list() == [1, 0]
    assert needed["hi"].to_list() == [1, 0]


def test_no_belts_need_no_parts():
    needed = parts_needed(table(), as_of=AS_OF)

    assert needed.height == 0
    assert needed.schema == PARTS


@pytest.mark.parametrize(
    ("frame", "match"),
    [
        (table({"drive_no": 0}), "lack a drive or daily miles"),
        (table().drop("shape"), "lack columns: shape"),
    ],
)
def test_belts_that_do_not_fit_are_refused(frame, match):
    with pytest.raises(InputError, match=match):
        parts_needed(frame, as_of=AS_OF)
