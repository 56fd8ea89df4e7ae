"""The plan page: what it says of the plan, and of what there is none of."""

import json
import re
from datetime import timedelta

import polars as pl
import pytest

from fleetbelt.models.policy import ASSUMPTION
from fleetbelt.render import (
    plan,
    plan_depots,
    plan_parts,
    plan_policies,
    plan_value,
    plan_weeks,
    render_pages,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import Section, plain_text
from tests.render import factory, factory_plan

PLAN = (
    "results.work_plan", "results.plan_capacity", "results.plan_depots",
    "results.part_needs", "results.replacement_age", "results.replacement_curve",
    "results.what_if", "results.plan_assumptions",
)  # fmt: skip


def _said(words) -> str:
    return plain_text(words).replace("\xa0", " ")


def _frame(section: Section) -> pl.DataFrame:
    assert section.table is not None
    return section.table.frame


def _without_jobs(results):
    """Return the tables of a fleet whose belts have dates beyond the plan."""
    counts = pl.selectors.matches("^(jobs|minutes|overflow|cost|bound|visits)")
    depots = results["results.plan_depots"].with_columns(counts * 0)
    jobs = results["results.work_plan"].clear()
    return results | {"results.plan_depots": depots, "results.work_plan": jobs}


def _missing(html: str) -> list[str]:
    """Return what sections say that they miss."""
    found = re.findall(r'<p class="missing">(.*?)</p>', html, re.DOTALL)
    return [words for words in found if "allow scripts" not in words]


def _with_facts(results, **facts):
    info = results["results.run_info"].filter(~pl.col("key").is_in(list(facts)))
    more = pl.DataFrame({"key": list(facts), "value": list(facts.values())})
    return results | {"results.run_info": pl.concat([info, more])}


def test_what_is_due_stands_against_the_hours_of_thirteen_weeks(results):
    jobs, as_of = results["results.work_plan"], factory.AS_OF
    n, minutes = {}, {}
    for days in (0, 30, 91):
        kept = jobs.filter(pl.col("due_date") <= as_of + timedelta(days=days))
        n[days], minutes[days] = kept.height, kept["minutes"].sum()

    section = plan_depots.due(Frames(results))

    assert _said(section.answer) == (
        f"{n[0]} jobs are due now, {n[30]} within 30 days and {n[91]} within 91: "
        f"{minutes[91] / 60:.0f} hours of work, where the depots have 81 hours in 13 "
        "weeks. Every depot has time for what is due in 91 days."
    )
    frame = _frame(section)
    drawn = frame["now"] + frame["soon"] + frame["later"]
    assert drawn.sum() == pytest.approx(minutes[91] / 60, rel=1e-12)
    assert frame["load"].is_sorted(descending=True)


def test_a_depot_without_hours_comes_first_and_is_named_as_such(results):
    none = pl.when(pl.col("depot") == "Ostley").then(0.0)
    depots = results["results.plan_depots"].with_columns(
        weekly_minutes=none.otherwise("weekly_minutes"),
        weekly_minutes_from=pl.when(pl.col("depot") == "Ostley")
        .then(pl.lit("none"))
        .otherwise("weekly_minutes_from"),
    )

    section = plan_depots.due(Frames(results | {"results.plan_depots": depots}))

    assert _frame(section)["depot"][0] == "Ostley"
    assert "In 1 of 5 depots more is due in 91 days" in _said(section.answer)
    assert "1 depots have no hours at all" in _said(section.caveat)


def test_a_figure_that_draws_only_some_depots_says_so(results):
    depots = results["results.plan_depots"]
    own = depots.filter(pl.col("depot") != "all")
    many = pl.concat(own.with_columns(pl.col("depot") + f" {k}") for k in range(9))
    tables = results | {"results.plan_depots": pl.concat([many, depots])}

    sections = [
        make(Frames(tables)) for make in (plan_depots.due, plan_depots.without_room)
    ]

    left = many.filter(pl.col("overflow_jobs") > 0).height + 4
    assert "The first 40 of 50 are drawn." in _said(sections[0].caption)
    assert _said(sections[1].caption) == (
        f"The first 40 of {left} are drawn." if left > 40 else ""
    )


def test_the_weeks_add_up_to_the_plan_and_say_how_good_it_is(results):
    fits = results["results.work_plan"].drop_nulls("week")

    section = plan_weeks.by_week(Frames(results))

    frame = _frame(section)
    work, room = (
        frame.filter(pl.col("is_drawn_only") == is_room) for is_room in (False, True)
    )
    assert work["k"].sum() == fits["minutes"].sum()
    assert work["n"].sum() == fits.height
    assert room["k"].to_list() == [5 * factory_plan.WEEKLY_MINUTES] * 26
    assert f"{fits.height} jobs are planned in 26 weeks" in _said(section.answer)
    assert "No plan in these hours could save more than 0.04 %" in _said(section.caveat)
    assert section.table is not None
    assert section.table.recount is not None
    assert section.table.recount.cells["k"].sum() == frame["k"].sum()


def test_the_list_ships_the_jobs_due_soonest_and_says_where_all_are(results):
    jobs = results["results.work_plan"]
    many = pl.concat(
        jobs.with_columns(
            pl.col("belt_id") + f"/{copy}", pl.col("due_date") + pl.duration(days=copy)
        )
        for copy in range(40)
    )

    section = plan_weeks.jobs(Frames(results | {"results.work_plan": many}))

    frame = _frame(section)
    assert frame.height == 2_000
    rest = many.join(frame, on="belt_id", how="anti")
    assert frame["due_date"].max() <= rest["due_date"].min()
    assert frame["week"].null_count() > 0
    assert section.table is not None
    assert _said(section.table.note) == (
        "The 2,000 jobs due soonest, of 2,400; tables/work_plan.csv has all."
    )


def test_a_job_names_the_record_of_its_belts_last_visit(results):
    last = results["pages.job_records"].row(0, named=True)
    belt = last["belt_id"]
    jobs = results["results.work_plan"].with_columns(belt_id=pl.lit(belt))

    section = plan_weeks.jobs(Frames(results | {"results.work_plan": jobs}))

    place = f"{last['file']}, line {last['line']}"
    assert set(_frame(section)["place"]) == {place}
    bare = {k: v for k, v in results.items() if k != "pages.job_records"}
    assert _frame(plan_weeks.jobs(Frames(bare)))["place"].null_count() > 0


def test_what_finds_no_room_is_counted_and_priced(results):
    left = results["results.work_plan"].filter(pl.col("week").is_null())

    section = plan_depots.without_room(Frames(results))

    said = _said(section.answer)
    assert f"{left.height} jobs on {left.height} vehicles" in said
    assert f"costs {left['expected_cost'].sum():,.0f} EUR" in said
    assert _frame(section)["gap_pct"].to_list() == pytest.approx([0.04] * 5)


def test_a_plan_in_which_all_fits_draws_no_overflow(results):
    depots = results["results.plan_depots"].with_columns(
        pl.selectors.starts_with("overflow") * 0
    )

    section = plan_depots.without_room(
        Frames(results | {"results.plan_depots": depots})
    )

    assert _said(section.answer) == "Everything that falls due within 26 weeks fits."
    assert section.figure is None
    assert _frame(section).height == 5


def test_the_best_age_stands_with_its_saving_and_models_that_have_none(results):
    whole = results["results.replacement_age"].row(0, named=True)

    section = plan_value.ages(Frames(results))

    said = _said(section.answer)
    assert whole["model"] == whole["band"] == "all"
    assert f"at {round(whole['age_mi'], -2):,.0f} mi" in said
    assert f"saves {whole['saving_share']:.0%}".replace("%", " %") in said
    assert re.search(r"95 % interval \d+ to \d+\)", said)
    frame = _frame(section)
    none = frame.filter(pl.col("age_mi").is_null())
    assert f"{none.height} of 6 models are best run to failure." in said
    assert none.height > 0
    assert set(none["words"]) == {"\xa0run to failure"}
    assert section.acts
    assert "vehicle maker prescribes comes first" in _said(section.caveat)


def test_without_a_best_age_for_all_models_the_reason_is_said(results):
    ages = results["results.replacement_age"].with_columns(
        advice=pl.lit("run_to_failure"), age_mi=pl.lit(None, dtype=pl.Float64),
        reason=pl.lit("A failure costs no more than a planned replacement."),
    )  # fmt: skip

    section = plan_value.ages(Frames(results | {"results.replacement_age": ages}))

    assert _said(section.answer) == (
        "Every model together: A failure costs no more than a planned replacement. "
        "6 of 6 models are best run to failure."
    )


def test_each_curve_is_a_line_of_its_own_with_its_best_age_on_it(results):
    known = results["results.replacement_age"].filter(pl.col("band") == "all")

    section = plan_value.cost_curve(Frames(results))

    frame = _frame(section)
    best = frame.filter(pl.col("part") == "best")
    assert (
        best["age_mi"].sort().to_list() == known["age_mi"].drop_nulls().sort().to_list()
    )
    lines = frame.filter(pl.col("part") == "line")
    assert lines["model"].rle_id().n_unique() == 6  # each model's rows stand together
    assert lines["cost_per_1000mi"].null_count() == 6
    least = lines.group_by("model").agg(pl.col("cost_per_1000mi").min().alias("least"))
    marked = best.join(least, on="model")
    assert marked.height == best.height - 1  # that of every model has its own line
    assert (marked["cost_per_1000mi"] <= marked["least"]).all()


def test_other_ways_of_working_are_compared_in_money_and_called_association(results):
    section = plan_policies.what_if(Frames(results))

    assert _said(section.answer) == (
        "'all of these together' costs the least: 30,000 EUR a year, 11,000 EUR "
        "(95 % interval 4,000 to 17,000) less than today."
    )
    assert section.caveat == (ASSUMPTION,)
    assert (_frame(section)["name"].str.len_chars() <= 28).all()
    assert not _frame(section)["means"].str.contains("association").any()


def test_a_saving_that_may_be_none_is_said_to_be_doubtful(results):
    policies = results["results.what_if"].with_columns(saving_lo=pl.lit(-500.0))

    section = plan_policies.what_if(Frames(results | {"results.what_if": policies}))

    assert "it may save nothing at all" in _said(section.answer)


def test_today_is_said_to_be_best_where_it_is(results):
    policies = results["results.what_if"].with_columns(
        saving_per_year=-pl.col("saving_per_year")
    )

    section = plan_policies.what_if(Frames(results | {"results.what_if": policies}))

    assert _said(section.answer) == ("No other way of working costs less than today's.")


def test_the_next_whole_month_is_said_with_its_interval(results):
    needs = results["results.part_needs"].filter(pl.col("part_number") == "all")
    july = needs.sort("month").row(1, named=True)

    section = plan_parts.parts(Frames(results))

    assert (
        f"July 2026 needs {july['expected']:.0f} belts (95 % interval {july['lo']} to "
        f"{july['hi']}), {july['planned']:.0f} of them planned."
    ) in _said(section.answer)
    frame = _frame(section)
    assert frame["is_whole"].is_not_null().sum() == 7
    assert set(frame["part"]) == {"all belts", "PN-1", "PN-2", "not recorded"}
    assert frame.height == 7 * 4


def test_prices_that_nobody_gave_are_called_placeholders(results):
    given = Frames(_with_facts(results, plan_defaults=""))
    none = Frames(_with_facts(results, plan_defaults="cost_road_failure retension_p"))

    assert "placeholder" not in _said(plan.page(given).lead)
    assert "placeholders for road failure:" in _said(plan.page(none).lead)
    table = _frame(plan_parts.assumptions(none))
    source = dict(table.select("key", "source").iter_rows())
    assert source["cost_road_failure"] == "default"
    assert source["road_share"] == "records"


def test_a_fleet_with_nothing_due_says_so_and_misses_nothing(results, tmp_path):
    render_pages(_without_jobs(results), tmp_path)

    html = (tmp_path / "plan.html").read_text(encoding="utf-8")
    assert html.count("No job falls due within 26 weeks.") == 3
    assert "Everything that falls due within 26 weeks fits." in html
    assert _missing(html) == []


def test_a_fleet_that_cannot_be_planned_is_told_what_to_record(results, tmp_path):
    empty = {name: results[name].clear() for name in PLAN}

    render_pages(results | empty, tmp_path)

    html = (tmp_path / "plan.html").read_text(encoding="utf-8")
    missing = _missing(html)
    assert len(missing) == 4
    assert missing[0] == f"{plan_depots.NOTHING} {plan_depots.HOW}"
    assert any("plan.costs in fleetbelt.toml" in words for words in missing)


def test_the_files_are_linked_beside_the_pages_and_cautions_stand_at_the_work(pages):
    html = (pages / "plan.html").read_text(encoding="utf-8")

    for name in ("work_plan.xlsx", "work_plan.ics", "work_plan.csv"):
        assert f'href="../tables/{name}"' in html
    assert html.count('class="caution"') == 2


def test_every_section_leads_to_how_it_is_made(results, pages):
    method = (pages / "method.html").read_text(encoding="utf-8")

    for section in plan.page(Frames(results)).sections:
        assert f'id="{section.method}"' in method, section.key


def test_hostile_names_of_depots_stay_text_in_the_data(hostile_pages):
    html = (hostile_pages / "plan.html").read_text(encoding="utf-8")
    data = re.search(r'id="data">(.*?)</script>', html, re.DOTALL)

    assert data is not None
    assert "<script>" not in data.group(1)
    assert json.loads(data.group(1))["sections"]["due"]["columns"][0]["name"] == "depot"
