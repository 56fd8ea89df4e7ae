"""What-if policies: limiting cases, renewals, intervals that hold the truth."""

import itertools

import numpy as np
import polars as pl
import pytest
from scipy.integrate import quad
from scipy.special import gamma

from fleetbelt.errors import InputError
from fleetbelt.models.plan_jobs import Costs
from fleetbelt.models.policy import POLICIES, WHAT_IF, renewal, what_if
from fleetbelt.models.policy_inputs import CELLS, STRATA, Drawn, Fleet
from fleetbelt.models.replacement import age_replacement

COSTS = Costs(
    planned_replacement=150,
    road_failure=900,
    retension=40,
    complaint_visit=80,
    road_share=0.4,
)
BANDS = ("loose", "under", "in_spec", "over", "tight", "unknown")
RATE = dict(zip(BANDS, (9.0, 6.0, 2.0, 3.0, 4.0, 3.0), strict=True))  # per 100,000 mi
SCALE = dict(zip(BANDS, (5e4, 6.5e4, 8e4, 7.8e4, 6e4, 7e4), strict=True))
RECHECKED = dict(zip(BANDS, (40, 80, 800, 100, 10, 50), strict=True))
NOT_RECHECKED = dict(zip(BANDS, (200, 400, 700, 60, 10, 200), strict=True))


def strata(n=1, **known):
    plain = {
        "miles_per_year": 3e7,
        "preventive": 60.0,
        "other_removals": 90.0,
        "removal_miles": 9e7,
        "found_late_mi": 0.0,
        "retensions_per_year": 500.0,
        "retension_every_mi": 24_000.0,
        "retension_every_log_sd": 0.05,
    }
    return pl.DataFrame([{"stratum_no": no} | plain | known for no in range(n)], STRATA)


def cells(n=1, *, bands=BANDS, rate=None, scale=None, shape=2.0, **known):
    rows = [
        {
            "stratum_no": no,
            "band": band,
            "rechecked": float(RECHECKED[band]),
            "not_rechecked": float(NOT_RECHECKED[band]),
            "rate_no": len(bands) * no + i,
            "complaints": 300 * (rate or RATE[band]),
            "complaint_miles": 3e7,
            "widening": 1.0,
            "life_no": i,
            "shape": shape,
            "scale_mi": scale or SCALE[band],
            "var_log_shape": 0.003,
            "cov_log": -0.0005,
            "var_log_scale": 0.001,
        }
        | known
        for no in range(n)
        for i, band in enumerate(bands)
    ]
    return pl.DataFrame(rows, CELLS)


def compared(
    strata_table=None, cell_table=None, *, costs=COSTS, failures=400, seed=0, n_draws=50
):
    fleet = Fleet.of(
        strata() if strata_table is None else strata_table,
        cells() if cell_table is None else cell_table,
        failures=failures,
    )
    found = what_if(
        fleet, costs=costs, rng=np.random.default_rng(seed), n_draws=n_draws
    )
    return {row["policy"]: row for row in found.to_dicts()}


def test_every_policy_is_compared_with_today_in_words_and_numbers():
    found = what_if(
        Fleet.of(strata(), cells(), failures=400),
        costs=COSTS,
        rng=np.random.default_rng(0),
        n_draws=100,
    )

    assert found.schema == WHAT_IF
    assert found["policy"].to_list() == list(POLICIES)
    assert found["assumption"].str.contains("not proof of cause", literal=True).all()
    for name in ("complaints", "road_failures", "cost"):
        value = found[f"{name}_per_year"]
        assert ((found[f"{name}_lo"] < value) & (value < found[f"{name}_hi"])).all()
    cost = found["cost_per_year"]
    assert found["saving_per_year"].to_list() == (cost[0] - cost).to_list()


def test_with_equal_rates_and_lives_it_does_not_matter_how_belts_are_left():
    found = compared(None, cells(rate=3.0, scale=7e4))

    today, in_range = found["as_today"], found["all_in_range"]
    for name in ("complaints", "road_failures", "cost"):
        key = f"{name}_per_year"
        assert in_range[key] == pytest.approx(today[key], rel=1e-12)


def test_installs_left_in_range_bring_the_rates_of_those_in_range():
    bands = BANDS[:5]  # none without a reading

    found = compared(None, cells(bands=bands))["all_in_range"]

    assert found["complaints_per_year"] == pytest.approx(3e7 * 2.0 / 1e5, rel=1e-12)


def test_installs_without_a_reading_stay_as_they_are():
    only = cells(bands=("in_spec", "unknown"))

    found = compared(None, only)

    for key in ("complaints_per_year", "road_failures_per_year"):
        assert found["all_in_range"][key] == found["as_today"][key]


def test_a_belt_without_wear_out_is_run_to_failure():
    """No replacement age and no preventive removal: the policy is today's."""
    found = compared(strata(preventive=0.0), cells(shape=0.9))

    assert found["replace_at_age"]["cost_per_year"] == pytest.approx(
        found["as_today"]["cost_per_year"], rel=1e-12
    )


def test_costs_are_the_cost_rates_of_age_replacement_where_nothing_else_happens():
    """One band, no complaints, no other removals, no visits: closed forms."""
    quiet = strata(preventive=0.0, other_removals=0.0, retensions_per_year=0.0)
    one = cells(bands=("in_spec",), complaints=0.0, rechecked=0.0)
    best = age_replacement(
        shape=2.0, scale_mi=8e4, cost_planned=150, cost_failure=COSTS.failure
    )

    best_rate = 3e7 * (best.cost_per_mi or np.nan)

    found = compared(quiet, one)

    today, at_age = found["as_today"], found["replace_at_age"]
    assert today["cost_per_year"] == pytest.approx(
        3e7 * best.cost_per_mi_to_failure, rel=1e-9
    )
    assert best.cost_per_mi is not None
    assert at_age["cost_per_year"] == pytest.approx(best_rate, rel=1e-9)
    assert today["road_failures_per_year"] == pytest.approx(
        0.4 * 3e7 / (8e4 * gamma(1.5)), rel=1e-9
    )


def test_rechecked_installs_are_left_as_the_rechecked_ones_were():
    """With one life for all, complaints are the mean rate over the rechecked."""
    total = sum(RECHECKED.values())
    mean = sum(RECHECKED[band] / total * RATE[band] for band in BANDS)

    found = compared(None, cells(scale=7e4))["recheck_always"]

    assert found["complaints_per_year"] == pytest.approx(3e7 * mean / 1e5, rel=1e-12)


def test_without_any_recheck_so_far_installs_stay_as_today():
    found = compared(None, cells(rechecked=0.0))

    today, always = found["as_today"], found["recheck_always"]
    assert always["complaints_per_year"] == today["complaints_per_year"]
    assert always["cost_per_year"] > today["cost_per_year"]  # the rechecks themselves


def test_retensions_by_drift_are_those_that_a_belt_lives_to_see():
    """Shape 2 to failure: the k-th at k·24,000 mi is seen by exp(-(0.3 k)²)."""
    quiet = strata(preventive=0.0, other_removals=0.0, retensions_per_year=0.0)
    one = cells(bands=("in_spec",), complaints=0.0, rechecked=0.0)
    installs = 3e7 / (8e4 * gamma(1.5))
    seen = sum(np.exp(-((0.3 * k) ** 2)) for k in range(1, 40))

    found = compared(quiet, one)

    more = (
        found["retension_at_threshold"]["cost_per_year"]
        - found["as_today"]["cost_per_year"]
    )
    assert more == pytest.approx(40 * installs * seen, rel=1e-9)


def test_a_belt_that_fails_unseen_runs_on_until_it_is_found():
    """One band, run to failure: 60 % of failures are found 5,000 mi late."""
    quiet = strata(preventive=0.0, other_removals=0.0, found_late_mi=5_000.0)
    a_belt_mi = 8e4 * gamma(1.5) + 0.6 * 5_000

    found = compared(quiet, cells(bands=("in_spec",)))["as_today"]

    assert found["road_failures_per_year"] == pytest.approx(
        0.4 * 3e7 / a_belt_mi, rel=1e-9
    )
    assert found["complaints_per_year"] == pytest.approx(3e7 * 2.0 / 1e5, rel=1e-12)


def test_belts_left_under_are_retensioned_at_once():
    """No belt lives to a retension by drift; rates and lives are alike."""
    quiet = strata(
        preventive=0.0,
        other_removals=0.0,
        retensions_per_year=0.0,
        retension_every_mi=1e9,
    )
    installs = 3e7 / (7e4 * gamma(1.5))
    left_under = sum(RECHECKED[b] + NOT_RECHECKED[b] for b in ("loose", "under"))
    share = left_under / sum([*RECHECKED.values(), *NOT_RECHECKED.values()])

    found = compared(quiet, cells(rate=3.0, scale=7e4))

    more = (
        found["retension_at_threshold"]["cost_per_year"]
        - found["as_today"]["cost_per_year"]
    )
    assert more == pytest.approx(40 * installs * share, rel=1e-9)


def test_draws_have_the_spread_of_what_was_fitted():
    """20,000 draws: moments within about 4 sd of their simulation."""
    one = cells(bands=("in_spec",), widening=4.0, complaints=100.0)
    fleet = Fleet.of(strata(), one, failures=400)

    drawn = Drawn.of(
        fleet, road_share=0.4, n_draws=20_000, rng=np.random.default_rng(1)
    )

    rate = drawn.complaints_per_mi[:, 0]
    assert rate[0] == pytest.approx(100 / 3e7)
    assert rate[1:].mean() == pytest.approx(100 / 3e7, rel=0.006)
    assert rate[1:].std() == pytest.approx(20 / 3e7, rel=0.03)
    lives = np.cov(np.log(drawn.shape[1:, 0]), np.log(drawn.scale_mi[1:, 0]))
    assert lives == pytest.approx(
        np.array([[0.003, -0.0005], [-0.0005, 0.001]]), abs=1.5e-4
    )
    road = drawn.road_share
    assert road[0] == 0.4
    assert road[1:].std() == pytest.approx(np.sqrt(0.4 * 0.6 / 401), rel=0.03)


def test_where_no_interval_is_known_retensions_stay_as_today():
    found = compared(strata(retension_every_mi=None), cells(bands=("in_spec",)))

    assert found["retension_at_threshold"]["cost_per_year"] == pytest.approx(
        found["as_today"]["cost_per_year"], rel=1e-12
    )


def test_strata_add_up():
    one, two = compared(), compared(strata(2), cells(2))

    for policy in POLICIES:
        assert two[policy]["cost_per_year"] == pytest.approx(
            2 * one[policy]["cost_per_year"], rel=1e-12
        )


def test_cells_that_share_a_life_are_drawn_together():
    """Independent draws of 30 equal strata average out; one draw does not."""
    each_its_own = cells(30).with_columns(life_no=pl.int_range(pl.len()))

    shared, apart = (
        compared(strata(30), table, failures=1e9, n_draws=400)["as_today"]
        for table in (cells(30), each_its_own)
    )

    width, narrow = (
        row["road_failures_hi"] - row["road_failures_lo"] for row in (shared, apart)
    )
    assert width > 2 * narrow


def test_the_same_seed_gives_the_same_numbers_whatever_the_order_of_the_rows():
    shuffled = cells(2).sample(fraction=1, shuffle=True, seed=3)

    assert compared(strata(2), cells(2)) == compared(strata(2)[::-1], shuffled)


@pytest.mark.parametrize("shape", [0.5, 0.8, 1.0, 2.5, 8.0, 30.0])
@pytest.mark.parametrize("age", [20_000.0, 60_000.0, np.inf])
@pytest.mark.parametrize("off", [0.0, 1e-6, 3e-5])
def test_a_renewal_is_what_quadrature_says(shape, age, off):
    def running(u):
        return np.exp(-((u / 8e4) ** shape) - off * u)

    end = min(age, 8e4 * 40 ** (1 / shape), 40 / max(off, 1e-9))
    parts = np.minimum(np.append(np.geomspace(1.0, 4e8, 80), 8e4), end)
    edges = np.unique(np.append(parts, [0.0, end]))
    miles = sum(quad(running, a, b)[0] for a, b in itertools.pairwise(edges))

    new = renewal(*map(np.array, (shape, 8e4, age, off)))

    assert new.miles == pytest.approx(miles, rel=1e-6)
    assert new.failed + new.aged + new.sound == pytest.approx(1, abs=1e-12)
    if np.isfinite(age):
        assert new.aged == pytest.approx(running(age), abs=1e-12)


def test_the_long_run_is_that_of_belts_followed_one_after_the_other():
    """200,000 renewals played through: miles, failures and ages within 4 sd."""
    rng = np.random.default_rng(5)
    life = 8e4 * rng.weibull(2.2, 200_000)
    other = rng.exponential(1 / 4e-6, 200_000)
    end = np.minimum(np.minimum(life, other), 70_000)

    new = renewal(*map(np.array, (2.2, 8e4, 70_000.0, 4e-6)))

    assert new.miles == pytest.approx(end.mean(), abs=4 * end.std() / np.sqrt(200_000))
    for chance, happens in (
        (new.failed, end == life),
        (new.aged, end == 70_000),
        (new.sound, end == other),
    ):
        sd = float(np.sqrt(chance * (1 - chance) / 200_000))
        assert chance == pytest.approx(happens.mean(), abs=4 * sd)


def test_intervals_hold_the_truth_as_often_as_they_say():
    """300 invented sets of records of one fleet; the truth is the policy's own value.

    Counts Poisson, installs multinomial, lives normal on the log scale: 95 % intervals
    of today's cost, of complaints in range and of what that saves; 4 sd of 300 is 0.05.
    """
    rng = np.random.default_rng(11)
    small = cells(bands=BANDS[:3], var_log_shape=0.01, var_log_scale=0.002)
    small = small.with_columns(
        pl.col("complaints") / 10, pl.col("complaint_miles") / 10,
        pl.col("rechecked", "not_rechecked") / 5,
    )  # fmt: skip
    truth = compared(None, small, n_draws=2)
    z = rng.standard_normal((2, 300, 3))
    root = np.linalg.cholesky([[0.01, -0.0005], [-0.0005, 0.002]])
    installs = small.select("rechecked", "not_rechecked").to_numpy()
    wanted = (
        ("as_today", "cost"),
        ("all_in_range", "complaints"),
        ("all_in_range", "saving"),
        ("replace_at_age", "road_failures"),
    )
    hits = np.zeros(len(wanted))
    for i in range(300):
        step = root @ z[:, i]
        drawn = rng.multinomial(int(installs.sum()), installs.ravel() / installs.sum())
        seen = small.with_columns(
            complaints=rng.poisson(small["complaints"].to_numpy()).astype(float),
            rechecked=drawn[::2].astype(float),
            not_rechecked=drawn[1::2].astype(float),
            shape=small["shape"].to_numpy() * np.exp(step[0]),
            scale_mi=small["scale_mi"].to_numpy() * np.exp(step[1]),
        )
        records = strata(
            preventive=float(rng.poisson(60)), other_removals=float(rng.poisson(90))
        )
        share = rng.binomial(400, 0.4) / 400
        costs = Costs(
            planned_replacement=150,
            road_failure=900,
            retension=40,
            complaint_visit=80,
            road_share=share,
        )
        found = compared(records, seen, costs=costs, seed=i, n_draws=200)
        for j, (policy, name) in enumerate(wanted):
            row = found[policy]
            true = truth[policy][f"{name}_per_year"]
            hits[j] += row[f"{name}_lo"] <= true <= row[f"{name}_hi"]

    assert ((hits / 300 >= 0.90) & (hits / 300 <= 0.99)).all()


@pytest.mark.parametrize(
    ("strata_table", "cell_table", "match"),
    [
        (strata().drop("preventive"), cells(), "lack columns: preventive"),
        (strata(miles_per_year=None), cells(), "empty cells"),
        (strata(), cells(bands=("under",)), "one cell in range"),
        (strata(2), cells(), "one cell in range"),
        (strata(), cells(rechecked=0.0, not_rechecked=0.0), "installs in every"),
        (strata(), cells(complaint_miles=0.0), "numbers above 0"),
    ],
)
def test_tables_that_do_not_fit_are_refused(strata_table, cell_table, match):
    with pytest.raises(InputError, match=match):
        Fleet.of(strata_table, cell_table, failures=10)
