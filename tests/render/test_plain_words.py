"""What pages say where little is known, and that they never say more than that."""

import polars as pl
import pytest

from fleetbelt.render import (
    conformity,
    document,
    fleet,
    people,
    plan_depots,
    plan_parts,
    records,
    shares,
    vehicle,
    watch,
    workshop,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import NOTHING, digits_for, plain_text


def _said(words) -> str:
    return plain_text(words).replace("\xa0", " ")


def _without(results, *names: str) -> Frames:
    return Frames(results | {name: results[name].clear() for name in names})


def test_a_doubted_row_is_told_by_its_file_and_line(results):
    (section,) = (s for s in records.page(Frames(results)).sections
                  if s.key == "doubted")  # fmt: skip

    assert section.table is not None
    places = section.table.frame["place"].to_list()
    assert places == ["services.csv, line 21", "specs.csv, line 3"]


def test_belts_of_which_nothing_is_known_are_counted_beside_those_listed(results):
    untold = results["pages.due_days"].with_columns(n_untold=pl.lit(2))
    frames = results | {"pages.due_days": untold}
    words = f"Of {2 * untold.height} running belts nothing can be told"

    assert words in _said(watch.watched_in_words(Frames(frames)))
    none = _without(frames, "results.watchlist")
    assert words in _said(watch.watched_in_words(none))
    told = frames | {"pages.due_days": untold.with_columns(n_untold=pl.lit(0))}
    assert "told" not in _said(watch.watched_in_words(Frames(told)))


@pytest.mark.parametrize(("refused", "is_said"), [(19, False), (30, True)])
def test_where_many_rows_were_refused_every_page_says_so(results, refused, is_said):
    file = results["results.load_files"].head(1)
    counts = {"rows_read": 100, "rows_quarantined": refused}
    files = file.with_columns(pl.lit(n).alias(name) for name, n in counts.items())

    words = _said(document._refused(Frames({"results.load_files": files})))

    assert (words == f"{refused} % of the rows read were refused: every number here "
            "rests on the rest.") is is_said  # fmt: skip


@pytest.mark.parametrize(
    ("text", "html"),
    [
        ("T-04, T-11.", '<span class="id">T-04</span>, <span class="id">T-11</span>.'),
        ("on 2025-06-30", 'on <span class="id">2025-06-30</span>'),
        ("run-in, <b>A-1", 'run-in, &lt;b&gt;<span class="id">A-1</span>'),
        (f"{'a-' * 400}1", f"{'a-' * 400}1"),
    ],
)
def test_an_id_or_a_date_keeps_to_one_line_and_long_ones_may_break(text, html):
    assert document._unbroken(text) == html


def test_where_no_group_differs_it_is_said_in_one_sentence():
    counts = shares.with_shares(
        pl.DataFrame({"name": ["a", "b"], "n": [100, 100], "k": [10, 12]})
    )

    words = _said(shares._spread(counts, 0.11, "model"))

    assert words == "No model clearly differs from the 11 % of the whole fleet."


def test_without_calibrations_the_gauge_is_not_said_to_be_allowed_for(results):
    frames = _without(results, "results.gauge_curves")
    unlearned = results["results.technician_results"].with_columns(
        bias_pct=pl.lit(None, dtype=pl.Float64)
    )
    blind = Frames(
        results | {
            "results.gauge_curves": results["results.gauge_curves"].clear(),
            "results.technician_results": unlearned,
        }
    )  # fmt: skip

    assert "counts as the person's" in _said(workshop.page(frames).lead)
    assert "counts as the person's" in _said(people.in_range(frames).caveat)
    assert "cannot be told apart" in _said(people.habit(blind).missing)
    assert conformity.looked_in_range(frames) is None
    assert fleet.headlines(frames)[2].number == NOTHING
    known = Frames(results)
    assert "never without the gauge" in _said(workshop.page(known).lead)
    assert fleet.headlines(known)[2].number != NOTHING


def test_a_plan_without_any_date_is_not_called_a_plan_in_which_nothing_is_due(results):
    depots = results["results.plan_depots"].with_columns(jobs=pl.lit(0))
    needs = results["results.part_needs"].with_columns(expected=pl.lit(0.0))
    no_day = pl.lit(None, dtype=pl.Date)
    days = results["pages.due_days"].with_columns(due_date=no_day)
    frames = results | {"results.plan_depots": depots, "results.part_needs": needs}

    assert plan_depots.due(Frames(frames)).answer == (plan_depots.NONE_DUE,)
    blind = Frames(frames | {"pages.due_days": days})
    assert plan_depots.NOTHING in _said(plan_depots.due(blind).missing)
    assert "cannot be foretold" in _said(plan_parts.parts(blind).missing)


def test_little_work_and_little_money_are_not_rounded_to_nothing():
    assert [plan_depots.hours(m) for m in (8, 60, 599, 9_720)] == [
        "0.1", "1.0", "10.0", "162",
    ]  # fmt: skip
    texts = [_said((plan_depots.money(v, "EUR"),)) for v in (0, 0.24, 609.4)]
    assert texts == ["0 EUR", "0.24 EUR", "609 EUR"]


def test_a_ratio_keeps_a_decimal_so_that_it_is_told_from_one():
    assert digits_for(1.2, 4.6, "times") == 1
    assert digits_for(1.2, 4.6, "number") == 0


def test_a_name_for_money_is_asked_for_only_where_none_is_given(results):
    info = results["results.run_info"].filter(pl.col("key") != "currency")
    named = pl.DataFrame({"key": ["currency"], "value": ["EUR"]})

    assert "plan.currency" in plan_parts.no_currency(Frames({"results.run_info": info}))
    given = Frames({"results.run_info": pl.concat([info, named])})
    assert plan_parts.no_currency(given) == ""


def test_numbers_that_the_plan_reckons_with_carry_their_unit():
    shown = [
        plan_parts._shown(value, unit, "EUR")
        for value, unit in [
            (0.636, "currency per 1,000 mi"), (150.0, "currency"), (0.1, "share"),
            (26.0, "weeks"), (None, "currency"),
        ]
    ]  # fmt: skip

    assert shown == ["0.64 EUR per 1,000 mi", "150.00 EUR", "10 %", "26 weeks", None]


def test_of_one_more_the_name_is_said_and_of_several_their_number():
    assert shares.listed(["a", "b", "c"], "none", most=2) == "a, b, c"
    assert shares.listed(["a", "b", "c", "d"], "none", most=2) == "a, b and 2 more"
    assert shares.listed([], "none") == "none"


def test_without_complaints_no_vehicle_is_said_to_stand_out(results):
    quiet = results["results.vehicle_results"].with_columns(complaints=pl.lit(0))

    section = vehicle.vehicles(Frames(results | {"results.vehicle_results": quiet}))

    assert _said(section.answer).startswith("No complaint counts")
