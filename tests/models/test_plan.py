"""The work plan: what falls due when, what it costs, and where it finds room."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.integrate import quad
from scipy.special import ndtr, ndtri

from fleetbelt.errors import InputError
from fleetbelt.models.plan import BELTS, DEPOTS, JOBS, Rules, plan_work
from fleetbelt.models.plan_jobs import (
    LEAST_PER_WEEK,
    Costs,
    Replacements,
    Retensions,
    best_ages,
    p_failure_ahead,
)
from fleetbelt.models.replacement import age_replacement

AS_OF = date(2031, 5, 1)  # a Thursday
FIRST = date(2031, 5, 5)
COSTS = Costs(
    planned_replacement=150,
    road_failure=900,
    retension=40,
    complaint_visit=80,
    road_share=0.5,
    under_per_mi=0.005,
)
RULES = Rules(costs=COSTS)
ROOM = np.array([1e6])
LIFE = {"shape": 2.5, "scale_mi": 80_000.0}
BEST = age_replacement(**LIFE, cost_planned=150, cost_failure=525)
BEST_MI = BEST.age_mi or np.nan


def belt(no, **known):
    plain = {
        "depot_no": 0,
        "vehicle_no": no,
        "belt_no": no,
        "daily_mi": 50.0,
        "daily_sd_mi": 5.0,
    }
    return plain | known


def table(*belts):
    return pl.DataFrame([dict.fromkeys(BELTS) | row for row in belts], BELTS)


def invented(n, n_depots=3, *, seed=0):
    rng = np.random.default_rng(seed)
    vehicle = np.arange(n) * 7 // 10
    due = np.maximum(rng.exponential(25_000, n) - 6_000, 0)
    return pl.DataFrame(
        {
            "depot_no": vehicle % n_depots,
            "vehicle_no": vehicle,
            "belt_no": np.arange(n),
            "daily_mi": rng.uniform(20, 110, n),
            "daily_sd_mi": 5.0,
            "due_in_mi": [mi if mi < 60_000 else None for mi in due],
            "p_under_now": np.where(due > 0, 0.1, 0.9) * rng.uniform(0.2, 1, n),
            "p_under_later": 0.95,
            "since_set_mi": rng.uniform(0, 20_000, n),
            "age_mi": rng.uniform(0, 70_000, n),
            "shape": np.where(rng.random(n) < 0.8, 2.5, 0.9),
            "scale_mi": 80_000.0,
        },
        BELTS,
    )


def test_a_retension_falls_due_on_the_day_its_miles_are_run():
    frame = table(belt(0, due_in_mi=1001.0, p_under_now=0.02, p_under_later=0.4))

    (job,) = plan_work(frame, ROOM, as_of=AS_OF, rules=RULES).jobs.to_dicts()

    assert job["job"] == "retension"
    assert job["due_date"] == AS_OF + timedelta(days=21)  # 1,001 mi at 50 mi a day
    assert job["week"] == date(2031, 5, 19)
    assert (job["weeks_late"], job["expected_cost"]) == (0, 0)
    assert job["minutes"] == RULES.retension_minutes
    assert job["reason"] == "chance of being under its range reaches 10 %"


def test_a_belt_already_due_is_planned_for_the_first_monday():
    frame = table(belt(0, due_in_mi=0.0, p_under_now=0.34, p_under_later=0.6))

    (job,) = plan_work(frame, ROOM, as_of=AS_OF, rules=RULES).jobs.to_dicts()

    assert (job["due_date"], job["week"]) == (AS_OF, FIRST)
    assert job["reason"] == "chance of being under its range is 34 % now"


def test_a_monday_is_the_first_day_of_its_own_plan():
    frame = table(belt(0, due_in_mi=0.0, p_under_now=0.34))

    plan = plan_work(frame, ROOM, as_of=FIRST, rules=RULES)

    assert plan.jobs["week"].to_list() == [FIRST]


def test_a_replacement_falls_due_at_the_age_of_least_cost_per_mile():
    frame = table(belt(0, age_mi=BEST_MI - 2000, **LIFE))

    (job,) = plan_work(frame, ROOM, as_of=AS_OF, rules=RULES).jobs.to_dicts()

    assert job["job"] == "replace"
    assert job["due_in_mi"] == pytest.approx(2000)
    assert job["due_date"] == AS_OF + timedelta(days=40)
    assert job["minutes"] == RULES.replacement_minutes
    assert job["reason"] == f"reaches its best age of {round(BEST_MI, -2):,.0f} mi"


def test_an_age_that_saves_under_one_per_cent_is_not_scheduled():
    costs = Costs(
        planned_replacement=100, road_failure=150, retension=40, complaint_visit=80
    )

    best = best_ages(np.array([1.3]), np.array([50_000.0]), costs=costs)

    assert np.isnan(best.age_mi).all()


@pytest.mark.parametrize(
    "life", [{"shape": 0.9, "scale_mi": 80_000.0}, {}], ids=["no wear-out", "no fit"]
)
def test_a_belt_best_run_to_failure_is_never_replaced(life):
    frame = table(belt(0, age_mi=300_000.0, **life))

    plan = plan_work(frame, ROOM, as_of=AS_OF, rules=RULES)

    assert plan.jobs.height == 0
    assert plan.jobs.schema == JOBS
    assert plan.depots.schema == DEPOTS


def test_the_best_age_is_the_published_one():
    """Barlow and Hunter's condition solved for 2.5, 1000 and 1:5 (checks, section 7).

    Value recomputed three ways; the worked example of a public library prints 493.19.
    """
    costs = Costs(planned_replacement=1, road_failure=5, retension=0, complaint_visit=0)

    best = best_ages(np.array([np.nan, 2.5]), np.array([1e3, 1e3]), costs=costs)

    assert np.isnan(best.age_mi[0])
    assert best.age_mi[1] == pytest.approx(493.046958, abs=1e-6)
    assert best.cost_per_mi[1] == pytest.approx(0.00346204274, abs=1e-11)


def test_failures_no_dearer_than_replacements_give_no_age():
    costs = Costs(
        planned_replacement=900, road_failure=900, retension=40, complaint_visit=80
    )

    best = best_ages(np.array([2.5]), np.array([80_000.0]), costs=costs)

    assert np.isnan(best.age_mi).all()


def test_work_beyond_the_weeks_planned_is_left_out():
    frame = table(
        belt(0, due_in_mi=50.0 * 185, p_under_now=0.0),  # last day of the 26th week
        belt(1, due_in_mi=50.0 * 186, p_under_now=0.0),
        belt(2, due_in_mi=10.0, p_under_now=0.0, daily_mi=0.0),
    )

    plan = plan_work(frame, ROOM, as_of=AS_OF, rules=RULES)

    assert plan.jobs["belt_no"].to_list() == [0]
    assert plan.jobs["week"].to_list() == [FIRST + timedelta(weeks=25)]


def test_a_belt_due_for_both_is_replaced():
    both = {"due_in_mi": 0.0, "p_under_now": 0.5, "p_under_later": 0.7}
    frame = table(belt(0, age_mi=BEST_MI + 1, **both, **LIFE))

    plan = plan_work(frame, ROOM, as_of=AS_OF, rules=RULES)

    assert plan.jobs["job"].to_list() == ["replace"]
    assert plan.jobs["reason"].to_list()[0].startswith("past its best age")


def test_being_under_hurries_a_replacement_that_is_due_later():
    due = {"due_in_mi": 0.0, "p_under_now": 0.99, "p_under_later": 0.99}
    frame = table(belt(0, age_mi=BEST_MI - 2000, **due, **LIFE))

    (job,) = plan_work(frame, ROOM, as_of=AS_OF, rules=RULES).jobs.to_dicts()

    assert job["job"] == "replace"
    assert job["weeks_late"] < 0
    assert job["reason"].endswith("weeks early")


def test_every_job_is_in_exactly_one_place_and_no_week_is_over_full():
    frame = invented(900)
    capacity = np.array([300.0, 500.0, 100.0])
    due = frame.with_columns(
        days=(pl.col("due_in_mi") / pl.col("daily_mi")).ceil(),
        ages=((BEST_MI - pl.col("age_mi")).clip(0) / pl.col("daily_mi")).ceil(),
    ).filter(
        (pl.col("days") < 4 + 182)
        | ((pl.col("ages") < 4 + 182) & (pl.col("shape") > 1))
    )

    plan = plan_work(frame, capacity, as_of=AS_OF, rules=RULES)

    assert plan.jobs["belt_no"].sort().to_list() == due["belt_no"].sort().to_list()
    weeks = plan.jobs.group_by("depot_no", "week").agg(pl.col("minutes").sum())
    booked = weeks.drop_nulls("week")
    assert (booked["minutes"].to_numpy() <= capacity[booked["depot_no"]]).all()
    assert booked["week"].is_between(FIRST, FIRST + timedelta(weeks=25)).all()
    assert (booked["week"].dt.weekday() == 1).all()
    assert (plan.depots["gap"] <= 1e-3).all()


def test_overflow_is_listed_with_what_waiting_costs():
    frame = invented(300, 1)

    plan = plan_work(frame, np.array([120.0]), as_of=AS_OF, rules=RULES)

    over = plan.jobs.filter(pl.col("week").is_null())
    assert over.height > 0
    assert over["reason"].str.starts_with("overflow: no room in 26 weeks; ").all()
    assert (over["expected_cost"] > 0).all()
    assert plan.depots["overflow"].item() == over["vehicle_no"].n_unique()
    assert plan.depots["cost"].item() == pytest.approx(plan.jobs["expected_cost"].sum())
    assert plan.jobs.filter(pl.col("week").is_not_null())["reason"].str.starts_with(
        "overflow"
    ).sum() == 0  # fmt: skip


@pytest.mark.parametrize(
    ("capacity", "words"),
    [
        (0.0, "its depot has no minutes for it"),
        (45.0, "a visit of 60 minutes is longer than its depot's longest week of 45"),
    ],
)
def test_a_visit_that_fits_no_week_says_why(capacity, words):
    frame = table(
        belt(0, due_in_mi=0.0, p_under_now=0.5),
        {**belt(1, due_in_mi=0.0, p_under_now=0.5), "vehicle_no": 0},
    )

    plan = plan_work(frame, np.full(3, capacity), as_of=AS_OF, rules=RULES)

    assert plan.jobs["week"].null_count() == 2
    assert plan.jobs["reason"].str.starts_with(f"overflow: {words}; ").all()


def test_the_jobs_of_a_vehicle_are_one_visit():
    plan = plan_work(
        invented(900), np.array([400.0, 400.0, 400.0]), as_of=AS_OF, rules=RULES
    )

    visits = plan.jobs.group_by("vehicle_no").agg(
        jobs=pl.len(), weeks=pl.col("week").n_unique()
    )
    assert visits["jobs"].max() == 2
    assert (visits["weeks"] == 1).all()
    assert plan.depots["visits"].sum() == visits.height


def test_capacity_may_differ_from_week_to_week():
    frame = table(*(belt(no, due_in_mi=0.0, p_under_now=0.5) for no in range(4)))
    capacity = np.zeros((1, 26))
    capacity[0, [2, 7]] = 60.0

    plan = plan_work(frame, capacity, as_of=AS_OF, rules=RULES)

    counted = plan.jobs["weeks_late"].value_counts(sort=True).sort("weeks_late")
    assert counted.rows() == [(2, 2), (7, 2)]


def test_the_order_of_the_belts_changes_nothing():
    frame = invented(900)
    capacity = np.array([300.0, 500.0, 100.0])
    shuffled = frame.sample(fraction=1, shuffle=True, seed=2)

    one, other = (
        plan_work(f, capacity, as_of=AS_OF, rules=RULES) for f in (frame, shuffled)
    )

    assert one.jobs.equals(other.jobs)
    assert one.depots.equals(other.depots)


def test_a_replacement_costs_what_its_hazard_says_against_the_best_rate():
    """Excess over the optimum by adaptive quadrature; trapezia are 2e-3 near."""
    k, eta, best = (
        2.5,
        80_000.0,
        best_ages(np.array([2.5]), np.array([8e4]), costs=COSTS),
    )
    g, t = best.cost_per_mi[0], best.age_mi[0]
    now = t - 3000.0

    def excess(u):
        hazard = k / eta * (u / eta) ** (k - 1)
        return ((525 - 150) * hazard - g) * np.exp((now / eta) ** k - (u / eta) ** k)

    jobs = Replacements(
        due_week=np.array([8]),
        weekly_mi=np.array([350.0]),
        age_mi=np.array([now]),
        best_age_mi=best.age_mi,
        best_cost_per_mi=best.cost_per_mi,
        shape=np.array([k]),
        scale_mi=np.array([eta]),
    )
    (cost,) = jobs.cost(COSTS, 26)

    for week in (0, 3, 8, 15, 26):
        exact = quad(excess, t, max(t + 350 * (week - 8), now))[0]
        exact += LEAST_PER_WEEK * max(week - 8, 0)
        assert cost[week] == pytest.approx(exact, rel=2e-3, abs=1e-4)


def test_a_retension_costs_the_miles_under_when_late_and_a_share_when_early():
    jobs = Retensions(
        due_week=np.array([4]),
        weekly_mi=np.array([400.0]),
        p_due=np.array([0.1]),
        z_per_mi=np.array([1e-4]),
        cycle_mi=np.array([16_000.0]),
    )
    (cost,) = jobs.cost(COSTS, 26)

    late = quad(lambda u: 0.005 * ndtr(ndtri(0.1) + 1e-4 * u), 0, 400 * 22)[0]
    assert cost[26] == pytest.approx(late + 22 * LEAST_PER_WEEK, rel=1e-3)
    assert cost[0] == pytest.approx(40 * 1600 / 16_000)
    assert cost[4] == 0


def test_the_chance_of_failure_is_the_mean_over_uncertain_miles():
    rng = np.random.default_rng(0)
    known = {"age_mi": np.array([30_000.0]), "shape": np.array([2.0])}
    miles = 90 * np.maximum(rng.normal(60, 10, 400_000), 0)
    exact = 1 - np.exp((3 / 8) ** 2 - ((30_000 + miles) / 80_000) ** 2)

    chance = p_failure_ahead(
        90.0,
        daily_mi=np.array([60.0]),
        daily_sd_mi=10.0,
        scale_mi=np.array([80_000.0]),
        **known,
    )

    assert chance[0] == pytest.approx(exact.mean(), rel=1e-3)


def test_predicted_failures_of_the_next_90_days_are_those_that_happen():
    """Calibration table: 60,000 belts by tenth of the prediction, within 4 sd."""
    rng = np.random.default_rng(8)
    n = 60_000
    age = rng.uniform(0, 90_000, n)
    daily, sd = rng.uniform(20, 110, n), 8.0
    shape = np.full(n, 3.0)
    left = (age / 80_000) ** 3 + rng.exponential(1.0, n)
    runs_to = 80_000 * left ** (1 / 3)
    driven = 90 * np.maximum(daily + sd * rng.standard_normal(n), 0)
    happens = runs_to <= age + driven

    chance = p_failure_ahead(
        90.0,
        daily_mi=daily,
        daily_sd_mi=sd,
        age_mi=age,
        shape=shape,
        scale_mi=np.full(n, 80_000.0),
    )

    tenths = (
        pl.DataFrame({"p": chance, "failed": happens})
        .group_by(tenth=pl.col("p").rank("ordinal") * 10 // (n + 1))
        .agg(
            expected=pl.col("p").sum(),
            seen=pl.col("failed").sum(),
            sd=(pl.col("p") * (1 - pl.col("p"))).sum().sqrt(),
        )
    )
    assert tenths.height == 10
    assert ((tenths["seen"] - tenths["expected"]).abs() < 4 * tenths["sd"] + 1).all()


def test_a_belt_of_unknown_age_has_no_chance_of_failure():
    frame = table(belt(0, due_in_mi=0.0, p_under_now=0.5, **LIFE))

    plan = plan_work(frame, ROOM, as_of=AS_OF, rules=RULES)

    assert plan.jobs["p_failure_90d"].to_list() == [None]


@pytest.mark.parametrize(
    ("frame", "match"),
    [
        (table(belt(0)).drop("age_mi"), "lack columns: age_mi"),
        (table(belt(0, daily_mi=None)), "empty cells"),
        (table(belt(0, daily_mi=-1.0)), "negative or unknown miles"),
        (table(belt(0), belt(0)), "come twice"),
        (table(belt(0, depot_no=3, due_in_mi=0.0)), "without capacity"),
    ],
)
def test_belts_that_do_not_fit_are_refused(frame, match):
    with pytest.raises(InputError, match=match):
        plan_work(frame, ROOM, as_of=AS_OF, rules=RULES)
