"""The plan made from records: the sample's whole, and small fleets by hand."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.integrate import quad
from scipy.special import ndtr

import fleetbelt
from fleetbelt import facts
from fleetbelt.errors import InputError
from fleetbelt.intake import Outcome
from fleetbelt.models.plan_jobs import Costs
from fleetbelt.settings import parse_settings
from fleetbelt.steps.policies import MILES, found_late, miles_ahead
from tests.conftest import Compute, Table
from tests.fleets import DRIVE, SERVICE, VEHICLE, Row, services

FIRST = date(2025, 6, 30)  # a Monday, and the sample's as-of
LOW: Row = {"action": "retension", "reading_left": 60, "date": "2020-01-01"}
SEEN: Row = {"date": "2020-06-30", "odometer_mi": 19_100, "reading_found": None}


@pytest.fixture(scope="module")
def results(sample: Outcome) -> dict[str, pl.DataFrame]:
    return dict(fleetbelt.open(sample.database))


def low_belts(n: int, **vehicle: object) -> dict[str, list[Row]]:
    """Return vehicles whose belts were all left far under their range."""
    rows = (LOW, SEEN)
    return {
        "vehicles": [{**VEHICLE, **vehicle, "vehicle_id": f"V{i}"} for i in range(n)],
        "services": [
            {**SERVICE, **row, "vehicle_id": f"V{i}", "service_id": f"S{i}-{j}"}
            for i in range(n)
            for j, row in enumerate(rows)
        ],
    }


def one(table: Table, name: str, **where: object) -> dict[str, object]:
    """Return the only row of a result table, or the only one of that kind."""
    (row,) = table(f"results.{name}").filter(**where).to_dicts()
    return row


def test_every_job_of_the_sample_is_due_and_is_planned_once(
    results: dict[str, pl.DataFrame],
):
    jobs, running = results["work_plan"], results["drift_by_belt"]

    assert jobs.height > 300
    assert not jobs["belt_id"].is_duplicated().any()
    assert jobs.join(running, on="belt_id", how="anti").is_empty()
    assert jobs["due_date"].is_between(FIRST, FIRST + timedelta(weeks=26)).all()
    assert jobs.select((pl.col("week").dt.weekday() == 1).all()).item()
    is_over = jobs["week"].is_null()
    assert (is_over == jobs["reason"].str.starts_with("overflow: ")).all()
    assert jobs.filter(is_over)["expected_cost"].min() > 0  # type: ignore[operator]


def test_every_belt_of_the_sample_that_is_due_is_in_the_plan(
    results: dict[str, pl.DataFrame],
):
    due = results["drift_by_belt"].filter(
        pl.col("retension_due_date") < FIRST + timedelta(weeks=26)
    )

    jobs = results["work_plan"].join(due, on="belt_id", suffix="_found")

    assert jobs.height == due.height > 100
    same = jobs.filter(job="retension")
    assert (same["due_date"] == same["retension_due_date"]).all()
    assert (same["due_odometer_mi"] == same["retension_due_mi"]).all()
    assert (jobs["p_failure_90d"] == jobs["p_failure_90d_found"]).all()


def test_no_week_of_the_sample_is_over_its_minutes(results: dict[str, pl.DataFrame]):
    weeks, jobs = results["plan_capacity"], results["work_plan"]

    assert (weeks["minutes_planned"] <= weeks["minutes_capacity"]).all()
    assert weeks.group_by("depot").len()["len"].unique().to_list() == [26]
    booked = jobs.drop_nulls("week").group_by("depot", "week")
    counted = booked.agg(
        pl.col("minutes").sum(), pl.col("vehicle_id").n_unique(), jobs=pl.len()
    ).join(weeks, on=["depot", "week"], suffix="_said")
    assert (counted["minutes"] == counted["minutes_planned"]).all()
    assert (counted["vehicle_id"] == counted["visits"]).all()
    assert (counted["jobs"] == counted["jobs_said"]).all()
    assert weeks["jobs"].sum() == jobs["week"].count()


def test_a_vehicle_of_the_sample_with_two_jobs_comes_once(
    results: dict[str, pl.DataFrame],
):
    visits = (
        results["work_plan"]
        .group_by("vehicle_id")
        .agg(jobs=pl.len(), weeks=pl.col("week").n_unique())
    )

    assert visits["jobs"].max() == 2
    assert visits["weeks"].max() == 1


def test_the_samples_depots_say_how_good_their_plan_is(
    results: dict[str, pl.DataFrame],
):
    depots, jobs = results["plan_depots"], results["work_plan"]
    whole = depots.filter(depot="all").row(0, named=True)

    assert (depots["gap"] <= 1e-3).all()
    assert whole["jobs"] == jobs.height
    assert whole["belts"] == results["drift_by_belt"].height
    assert whole["overflow_jobs"] == jobs["week"].null_count()
    assert whole["jobs_now"] == (jobs["due_date"] == FIRST).sum()
    assert whole["minutes"] == jobs["minutes"].sum()
    assert whole["cost"] == pytest.approx(jobs["expected_cost"].sum())
    by_depot = depots.filter(pl.col("depot") != "all")
    for name in ("belts", "jobs", "visits", "weekly_minutes", "overflow_cost"):
        assert by_depot[name].sum() == pytest.approx(whole[name]), name


def test_the_samples_parts_add_up(results: dict[str, pl.DataFrame]):
    parts = results["part_needs"]
    whole = parts.filter(drive_id="all", part_number="all")
    is_whole = (pl.col("part_number") == "all").fill_null(value=False)
    by_part = parts.filter(pl.col("drive_id") == "all", ~is_whole)
    by_drive = parts.filter(pl.col("drive_id") != "all")

    for some in (by_part, by_drive):
        summed = some.group_by("month").agg(
            pl.col("expected", "planned", "belts").sum()
        )
        both = whole.join(summed, on="month", suffix="_summed")
        assert both.height == 7
        for name in ("expected", "planned", "belts"):
            assert both[name].to_list() == pytest.approx(
                both[f"{name}_summed"].to_list()
            )
    assert (parts["lo"] <= parts["expected"]).all()
    assert (parts["expected"] < parts["hi"] + 1).all()
    replaced = results["work_plan"].filter(job="replace").drop_nulls("week")
    first_of_last = date(2025, 12, 1)
    before = whole.filter(pl.col("month") < first_of_last)["planned"].sum()
    assert before == replaced.filter(pl.col("week") < first_of_last).height


def test_the_samples_best_ages_cost_the_least_by_quadrature(
    results: dict[str, pl.DataFrame],
):
    """Ages beside them by 2 % cost more, and the least is that of the integral."""
    ages = results["replacement_age"].filter(advice="replace")
    prices = dict(results["plan_assumptions"].select("key", "value").iter_rows())
    planned, failure = prices["cost_planned_replacement"], prices["cost_failure"]

    assert ages.height > 20
    for row in ages.unique("age_mi").head(5).to_dicts():
        k, eta = row["shape"], row["scale_mi"]

        def cost(age: float, k: float = k, eta: float = eta) -> float:
            lived, _ = quad(lambda u: np.exp(-((u / eta) ** k)), 0, age, epsrel=1e-12)
            failed = -np.expm1(-((age / eta) ** k))
            return float(1000 * (planned * (1 - failed) + failure * failed) / lived)

        assert row["cost_per_1000mi"] == pytest.approx(cost(row["age_mi"]), rel=1e-6)
        beside = [cost(step * row["age_mi"]) for step in (0.98, 1.02)]
        assert row["cost_per_1000mi"] < min(beside)


def test_the_samples_advice_is_in_words_with_an_interval(
    results: dict[str, pl.DataFrame],
):
    ages = results["replacement_age"]
    replace = ages.filter(advice="replace")

    assert (replace["age_from_mi"] < replace["age_mi"]).all()
    assert (replace["age_mi"] < replace["age_to_mi"]).all()
    assert (replace["saving_lo"] < replace["saving_share"]).all()
    assert (replace["saving_share"] < replace["saving_hi"]).all()
    assert replace["reason"].str.contains(r"^Replace at [0-9,]+ mi: \d+ % fail").all()
    doubted = replace["reason"].str.contains("Whether it saves at all is not sure")
    assert (doubted == (replace["saving_lo"] <= 0)).all()
    borrowed = pl.any_horizontal(
        pl.col("life_model") != pl.col("model"), pl.col("life_band") != pl.col("band")
    )
    assert (
        ages.filter(borrowed)["reason"]
        .str.contains("too few failures of its own")
        .all()
    )
    curve = results["replacement_curve"].filter(model="all", band="all")
    least = ages.filter(model="all", band="all")["cost_per_1000mi"].item()
    assert curve["cost_per_1000mi"].min() == pytest.approx(least, rel=1e-3)


def test_the_sample_as_today_is_near_what_its_records_show(
    results: dict[str, pl.DataFrame],
):
    """What is foretold of a year, against what was heard in four."""
    today = results["what_if"].filter(policy="as_today").row(0, named=True)
    vehicles = results["vehicle_results"]

    a_year = int(vehicles["complaints"].sum()) / 4
    assert today["complaints_per_year"] == pytest.approx(a_year, rel=0.25)
    for name in ("complaints", "road_failures", "cost"):
        assert today[f"{name}_lo"] < today[f"{name}_per_year"] < today[f"{name}_hi"]
    assert results["what_if"]["assumption"].str.contains("not proof of cause").all()


def test_belts_found_to_have_failed_ran_on_from_about_the_middle_of_their_interval():
    """Lives hardly age within 8,000 of 6e7 mi; a group without a fit is left out."""
    lives = pl.DataFrame(
        {
            "model": ["Corrie 3", "Tesk 7", "Vennick 8"],
            "band": ["in_spec", "under", "in_spec"],
            "shape": [1.0, 1.0, None],
            "scale_mi": [6e7, 6e7, None],
        }
    )
    found = pl.DataFrame(
        {
            "model": ["Corrie 3", "Corrie 3", "Tesk 7", "Vennick 8"],
            "band": ["in_spec", "in_spec", "under", "in_spec"],
            "lower_mi": [60_000.0, 0.0, 30_000.0, 0.0],
            "upper_mi": [64_000.0, 8_000.0, 30_000.0, 9_000.0],
        }
    )

    late = found_late(found, lives)

    assert late["model"].to_list() == ["Corrie 3", "Tesk 7"]
    assert late["found_late_mi"].to_list() == pytest.approx([3_000, 0], rel=1e-3)
    assert found_late(found.clear(), lives).is_empty()


@pytest.mark.parametrize("chance", [0.1, 0.7])
def test_miles_between_retensions_are_where_the_chance_is_reached(chance: float):
    """0.2 above the minimum, 0.5 % of loss and 0.2 % of spread per 1,000 mi."""
    drift = {"drift_pct_per_1000mi": 0.5, "drift_lo": 0.4, "drift_hi": 0.6}
    tables = {
        "results.drift_by_model": pl.DataFrame(
            {"model": ["Corrie 3"], **drift, "between_belt_sd_pct": 0.2}
        ),
        "fitted.reading_sd": pl.DataFrame({"reading_sd": [0.02]}),
        MILES: pl.DataFrame(
            {"model": ["Corrie 3"], "daily_mi": [120.0], "log_middle": 0.2}
        ),
    }
    asked = parse_settings(f"[plan]\nretension_p = {chance}\n", "here")

    row = miles_ahead(lambda name: tables[name], asked).row(0, named=True)

    far = row["retension_every_mi"] / 1000
    sd = np.hypot(0.02, 0.002 * far)
    assert ndtr((0.005 * far - 0.2) / sd) == pytest.approx(chance, rel=1e-9)
    assert row["retension_every_log_sd"] == pytest.approx(0.4 / 3.92, rel=1e-3)
    assert row["miles_per_year"] == pytest.approx(365.25 * 120)


def test_a_belt_left_under_its_range_is_due_now(compute: Compute):
    table = compute(**low_belts(1))

    job = one(table, "work_plan")
    assert job["job"] == "retension"
    assert job["due_date"] == date(2020, 6, 30)
    assert job["due_odometer_mi"] == 19_100
    assert job["week"] == date(2020, 7, 6)
    assert str(job["reason"]).startswith("chance of being under its range is 100 % now")


def test_a_depot_has_the_minutes_of_its_last_year(compute: Compute):
    table = compute(**low_belts(40))

    depot = one(table, "plan_depots", depot="North yard")
    weeks = (date(2020, 6, 30) - date(2020, 1, 1)).days + 1
    assert depot["weekly_minutes"] == pytest.approx(40 * 30 / (weeks / 7))
    assert depot["weekly_minutes_from"] == "records"


def test_a_plan_long_after_the_last_record_reckons_with_the_year_before_it(
    compute: Compute,
):
    table = compute(**low_belts(40), as_of=date(2022, 6, 30))

    depot = one(table, "plan_depots", depot="North yard")
    assert depot["weekly_minutes_from"] == "records"
    assert table("results.work_plan")["week"].null_count() < 40


def test_a_depot_that_did_nothing_has_the_fleets_minutes_a_vehicle(compute: Compute):
    busy, idle = low_belts(40), low_belts(40)
    rows = [
        {**row, "action": "inspect", "vehicle_id": f"W{row['vehicle_id']}",
         "service_id": f"W{row['service_id']}", "reading_found": 60,
         "reading_left": None}
        for row in idle["services"]
    ]  # fmt: skip
    vehicles = [
        {**row, "vehicle_id": f"W{row['vehicle_id']}", "depot": "South yard"}
        for row in idle["vehicles"]
    ]
    table = compute(
        vehicles=[*busy["vehicles"], *vehicles], services=[*busy["services"], *rows]
    )

    north, south = (
        one(table, "plan_depots", depot=f"{side} yard") for side in ("North", "South")
    )
    assert south["weekly_minutes_from"] == "fleet"
    assert south["weekly_minutes"] == pytest.approx(
        float(str(north["weekly_minutes"])) / 2
    )
    assert one(table, "plan_depots", depot="all")["weekly_minutes_from"] == "several"


def test_the_settings_say_what_a_depot_can_do(compute: Compute):
    table = compute(
        **low_belts(40), settings='[plan.weekly_minutes]\n"North yard" = 60\nMoon = 5\n'
    )

    depot = one(table, "plan_depots", depot="North yard")
    assert (depot["weekly_minutes"], depot["weekly_minutes_from"]) == (60, "settings")
    weeks = table("results.plan_capacity").filter(depot="North yard")
    assert weeks["minutes_planned"].to_list() == [60] * 20 + [0] * 6
    said = facts.planned(table)
    assert said.startswith("40 jobs in 26 weeks, 0 without room")
    assert said.endswith("the settings give minutes to 'Moon', where no belt runs")


def test_a_depot_without_minutes_lists_its_work_as_overflow(compute: Compute):
    table = compute(
        **low_belts(3), settings='[plan.weekly_minutes]\n"North yard" = 0\n'
    )

    jobs = table("results.work_plan")
    assert jobs["week"].null_count() == jobs.height == 3
    assert jobs["reason"].str.contains("its depot has no minutes for it").all()
    assert one(table, "plan_depots", depot="all")["overflow_jobs"] == 3


def test_a_retired_vehicle_is_not_planned(compute: Compute):
    table = compute(**low_belts(2, retired_date="2020-06-30"))

    for name in ("work_plan", "plan_capacity", "part_needs"):
        assert table(f"results.{name}").is_empty(), name
    assert one(table, "plan_depots")["belts"] == 0


def test_a_vehicle_that_retires_later_is_still_planned(compute: Compute):
    table = compute(**low_belts(2, retired_date="2020-07-01"))

    assert table("results.work_plan").height == 2


def test_the_plan_of_a_past_day_knows_nothing_of_what_came_after(compute: Compute):
    fleet = low_belts(2)
    later = [
        {**SERVICE, **LOW, "vehicle_id": f"V{i}", "service_id": f"L{i}",
         "date": "2020-09-01", "odometer_mi": 22_000, "reading_left": 115}
        for i in range(2)
    ]  # fmt: skip
    table = compute(
        vehicles=fleet["vehicles"],
        services=[*fleet["services"], *later],
        as_of=date(2020, 7, 1),
    )

    jobs = table("results.work_plan")
    assert jobs["due_date"].to_list() == [date(2020, 7, 1)] * 2
    assert jobs["week"].to_list() == [date(2020, 7, 6)] * 2


def test_two_belts_of_a_vehicle_are_one_visit_of_both(compute: Compute):
    second = {**LOW, "drive_id": "D2", "action": "retension"}
    table = compute(
        drives=[DRIVE, {**DRIVE, "drive_id": "D2"}],
        specs=[
            {"drive_id": drive, "belt_state": "used", "tension_min": 95,
             "tension_max": 135, "unit": "lbf"}
            for drive in ("D1", "D2")
        ],
        services=services(LOW, second, SEEN, {**SEEN, "drive_id": "D2"}),
        settings='[plan.weekly_minutes]\n"North yard" = 60\n',
    )  # fmt: skip

    jobs = table("results.work_plan")
    assert jobs["belt_id"].to_list() == ["V1/D1/0", "V1/D2/0"]
    assert jobs["week"].to_list() == [date(2020, 7, 6)] * 2
    week = table("results.plan_capacity").row(0, named=True)
    assert (week["minutes_planned"], week["visits"], week["jobs"]) == (60, 1, 2)


def test_the_miles_a_day_of_the_drift_table_are_those_that_date_the_work(
    results: dict[str, pl.DataFrame],
):
    due = results["drift_by_belt"].filter(
        (pl.col("retension_due_date") > FIRST) & (pl.col("daily_mi") > 0)
    )
    miles = due["retension_due_mi"] - due["odometer_now_mi"]

    days = (due["retension_due_date"] - FIRST).dt.total_days()
    assert days.to_list() == pytest.approx(
        (miles / due["daily_mi"]).ceil().to_list(), abs=1
    )
    assert (due["daily_lo_mi"] <= due["daily_mi"]).all()
    assert (due["daily_hi_mi"] >= due["daily_mi"]).all()


@pytest.mark.parametrize(
    ("costs", "advice", "words"),
    [
        ("planned_replacement = 0", "unknown", "no cost to weigh"),
        ("road_failure = 100", "run_to_failure", "costs no more than a planned"),
    ],
)
def test_costs_that_weigh_nothing_give_no_age(
    compute: Compute, costs: str, advice: str, words: str
):
    fleet = low_belts(6)
    ends = [
        {**SERVICE, "vehicle_id": f"V{i}", "service_id": f"E{i}-{j}", "action": action,
         "date": day, "odometer_mi": mi, "removal_reason": reason}
        for i in range(6)
        for j, (action, day, mi, reason) in enumerate(
            [
                ("install", "2020-02-01", 11_000, "worn"),
                ("install", "2020-05-01", 14_000 + 300 * i, "broken"),
            ]
        )
    ]  # fmt: skip
    table = compute(
        vehicles=fleet["vehicles"],
        services=[*fleet["services"], *ends],
        settings=f"[plan.costs]\n{costs}\n",
    )

    row = one(table, "replacement_age", model="all", band="all")
    assert row["shape"] is not None
    assert (row["advice"], row["age_mi"]) == (advice, None)
    assert words in str(row["reason"])
    assert table("results.work_plan").filter(job="replace").is_empty()


def test_the_threshold_of_a_retension_lies_between_nought_and_one():
    with pytest.raises(InputError, match=r"plan\.retension_p"):
        parse_settings("[plan]\nretension_p = 0.0\n", "here")
    with pytest.raises(InputError, match=r"plan\.weekly_minutes"):
        parse_settings("[plan.weekly_minutes]\nNorth = -5\n", "here")


def test_costs_say_whether_they_can_weigh_ages():
    free = Costs(planned_replacement=0, road_failure=9, retension=1, complaint_visit=1)

    assert not free.can_weigh_age
