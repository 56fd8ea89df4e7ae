"""What the fleet page says of the loss of tension, its causes and its model."""

import re

import polars as pl
import pytest

from fleetbelt.render import drift, drift_checks, story, watch
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import plain_text


@pytest.fixture
def frames_with(results):
    """Frames of the invented fleet with some tables changed."""

    def made(**changed) -> Frames:
        return Frames(results | {f"results.{name}": t for name, t in changed.items()})

    return made


def _said(words) -> str:
    return plain_text(words).replace("\N{NO-BREAK SPACE}", " ")


def test_an_effect_that_is_kept_is_said_with_its_size_and_interval(frames_with):
    answer = _said(drift_checks.effects(frames_with()).answer)

    assert "urban duty lose 0.12 % per 1,000 mi more than those on mixed" in answer
    assert "highway duty lose 0.020 % per 1,000 mi less than those on mixed" in answer
    assert "read hot shows 1.4 % more (95 % interval 1.0 to 1.8)" in answer


def test_an_effect_that_is_not_kept_is_said_with_its_interval_too(frames_with):
    answer = _said(drift_checks.effects(frames_with()).answer)

    assert "No difference stands out for refitted rather than new (95 %" in answer


def test_what_the_records_cannot_tell_is_said_to_be_untold(frames_with):
    answer = _said(drift_checks.effects(frames_with()).answer)

    assert "how tightly a belt was set cannot be told" in answer


def test_residual_checks_are_said_in_words_and_folded_away(frames_with, pages):
    section = drift_checks.checks(frames_with())

    html = (pages / "fleet.html").read_text(encoding="utf-8")
    place = re.search(r'<section[^>]*id="drift-checks".*?</section>', html, re.DOTALL)
    assert "Yes: 480 found readings" in _said(section.answer)
    assert place is not None
    assert place[0].index("<details") < place[0].index('class="plot"')


def test_residuals_that_do_not_fit_are_not_called_right(frames_with):
    table = frames_with().get("results.drift_checks")
    wide = table.with_columns(sd_z=pl.lit(1.4))

    section = drift_checks.checks(frames_with(drift_checks=wide))

    assert _said(section.answer).startswith("Not quite: ")


@pytest.mark.parametrize(
    ("chosen", "words"),
    [
        ("miles", "Loss is taken as even in the miles"),
        ("log_miles", "mean over the first 10,000 mi after a setting"),
    ],
)
def test_the_clock_is_said_beside_the_loss(frames_with, chosen, words):
    clocks = pl.DataFrame(
        {
            "clock": ["miles", "log_miles"],
            "deviance": [10.0, 12.0] if chosen == "miles" else [30.0, 12.0],
            "is_chosen": [chosen == "miles", chosen == "log_miles"],
        }
    )

    section = drift.by_model(frames_with(drift_clocks=clocks))

    assert words in _said(section.caveat)


def test_models_that_lean_on_the_fleet_are_named(frames_with):
    assert "Teal has fewer than 20 belts" in _said(drift.by_model(frames_with()).caveat)


def test_gauges_put_right_by_shared_belts_are_said_with_the_furthest(frames_with):
    caveat = _said(drift_checks.checks(frames_with()).caveat)

    assert "furthest off is gauge G4 at 178 mm, by \N{MINUS SIGN}3.0 %" in caveat


def test_a_gauge_that_moves_the_loss_is_named(frames_with):
    table = frames_with().get("results.drift_gauges")
    moved = table.with_columns(shift_in_se=pl.col("shift_in_se") * 5)

    section = drift_checks.gauges(frames_with(drift_gauges=moved))

    assert _said(section.answer).startswith("Gauge G3 weighs")


def test_one_gauge_alone_cannot_be_left_out(frames_with):
    table = frames_with().get("results.drift_gauges")

    section = drift_checks.gauges(frames_with(drift_gauges=table.head(1)))

    assert "Record gauge_id" in _said(section.missing)


def test_a_watched_belts_story_runs_on_beyond_now_and_shows_complaints(frames_with):
    frames = frames_with()

    table = story.stories(frames, frames.get("results.watchlist"))

    assert table is not None
    first = table.frame.filter(pl.col("rank") == 1)
    course = first.filter(pl.col("state") == "expected")
    (now,) = first.filter(pl.col("state") == "now")["x_mi"]
    assert course["x_mi"].is_sorted()
    assert course["x_mi"].min() < now < course["x_mi"].max()
    assert course["fan_lo_n"].null_count() == 0
    assert first.filter(pl.col("state") == "complaint")["action"].to_list() == [
        "complaint: squeal"
    ]
    assert first.filter(pl.col("action") == "retension")["raised_n"].max() > 0  # type: ignore[operator]


def test_where_no_loss_was_learned_chances_are_said_to_stop_at_the_last_reading(
    frames_with,
):
    table = frames_with().get("results.drift_by_model")
    unknown = table.with_columns(drift_pct_per_1000mi=pl.lit(None, pl.Float64))

    caveat = _said(watch.watchlist(frames_with(drift_by_model=unknown)).caveat)

    assert "a chance is that at the belt's last reading" in caveat
