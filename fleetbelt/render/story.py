"""The story of each belt on the watchlist: what was read, and what that means."""

from typing import Any, Final

import polars as pl

from fleetbelt.render import words
from fleetbelt.render.figures import Figure, axis, figure
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import Column, Table

MOST_ROWS: Final = 9_000

_COLUMNS: Final = (
    Column(name="belt_id", is_shown=False),
    Column(name="date", label="Date", kind="date"),
    Column(
        name="odometer_mi",
        label="Odometer, and since fitting",
        kind="distance",
        beside="({x_mi})",
    ),
    Column(name="x_mi", label="Since fitting", kind="distance"),
    Column(name="action", label="Work", beside=", {phase}"),
    Column(name="phase", label="Phase", words=words.PHASES),
    Column(name="shown", label="Gauge showed"),
    Column(
        name="correction",
        label="Correction factor",
        kind="number",
        digits=3,
        beside="({correction_source})",
    ),
    Column(name="correction_source", label="Its source", words=words.CORRECTIONS),
    Column(
        name="tension_n",
        label="Tension ± u",
        kind="tension",
        beside="± {tension_u_n}",
    ),
    Column(name="tension_u_n", label="Standard uncertainty u", kind="tension"),
    Column(
        name="spec_min_n",
        label="Range that applied",
        kind="tension",
        beside="to {spec_max_n}",
    ),
    Column(name="spec_max_n", label="Range to", kind="tension"),
    Column(name="as_published", label="As published"),
    Column(
        name="verdict",
        label="Verdict (chance of being under, %)",
        words=words.VERDICTS,
        beside="({p_under})",
    ),
    Column(name="p_under", label="Chance of being under", kind="chance"),
    Column(name="doubts", label="Doubts"),
    Column(name="technician_id", label="Technician, shop", beside=", {shop}"),
    Column(name="shop", label="Shop"),
    Column(name="gauge_id", label="Gauge, span", beside="at {span_mm}"),
    Column(name="span_mm", label="Span", kind="span"),
    Column(name="file", label="Record: file, line", beside=", line {line}"),
    Column(name="line", label="Line", kind="count"),
    Column(name="state", is_shown=False),
    Column(name="half_n", kind="tension", is_shown=False),
    Column(name="fan_lo_n", kind="tension", is_shown=False),
    Column(name="fan_hi_n", kind="tension", is_shown=False),
)


def place() -> pl.Expr:
    """Return file and line of a record, as text."""
    return pl.format("{}, line {}", "file", "line")


def stories(frames: Frames, belts: pl.DataFrame) -> Table | None:
    """Return every visit of the belts, in their order, then what is expected now.

    Parameters
    ----------
    frames : Frames
    belts : pl.DataFrame
        Columns ``belt_id`` and ``rank``, the order in which they are kept.

    Returns
    -------
    Table or None
        Whole belts up to `MOST_ROWS` rows; None without ``marts.belt_story``.
    """
    story = frames.get("marts.belt_story")
    if story is None:
        return None
    rows = story.join(belts.select("belt_id", "rank"), on="belt_id")
    is_left = (pl.col("phase") == "left").fill_null(value=False)
    rows = _first_belts(rows.sort("rank", "date", "odometer_mi", "service_id", is_left))
    since = pl.col("odometer_mi") - pl.col("odometer_mi").min().over("belt_id")
    visits = (
        rows.join(doubts(frames), on="service_id", how="left", maintain_order="left")
        .with_columns(
            x_mi=pl.coalesce("miles", since),
            half_n=1.96 * pl.col("tension_u_n"),
            shown=pl.format("{} {}", pl.col("reading"), "unit"),
            state=_state(),
        )
        .with_columns(
            fan_lo_n=pl.lit(None, dtype=pl.Float64),
            fan_hi_n=pl.lit(None, dtype=pl.Float64),
            is_drawn_only=pl.lit(value=False),
        )
    )
    names = [column.name for column in _COLUMNS]
    whole = pl.concat(
        [visits.select("rank", "is_drawn_only", *names), *_expected(visits, frames)],
        how="diagonal",
    )
    whole = whole.sort("rank", maintain_order=True)
    return Table(frame=whole, columns=_COLUMNS)


def doubts(frames: Frames) -> pl.DataFrame:
    """Return what is noted about each service record, in words."""
    notes = frames.get("results.data_notes")
    if notes is None:
        return pl.DataFrame(schema={"service_id": pl.String, "doubts": pl.String})
    return (
        notes.filter(pl.col("table_name") == "services")
        .sort("key", "code")
        .group_by(pl.col("key").alias("service_id"), maintain_order=True)
        .agg(pl.col("code").str.replace_all("_", " ", literal=True))
        .select("service_id", doubts=pl.col("code").list.join("; "))
    )


def _first_belts(rows: pl.DataFrame) -> pl.DataFrame:
    """Keep the first belts whose visits fit into the page."""
    lengths = rows["rank"].rle().struct.field("len").cum_sum()
    fits = lengths.filter(lengths <= MOST_ROWS)
    return rows.head(int(fits[-1]) if fits.len() else MOST_ROWS)


def _state() -> pl.Expr:
    """Return whose range the reading is held against: a new belt's or a used one's."""
    is_new = (pl.col("action") == "install") & (pl.col("phase") == "left")
    return (
        pl.when(pl.col("tension_n").is_null())
        .then(pl.lit("unread"))
        .when(is_new)
        .then(pl.lit("new"))
        .otherwise(pl.lit("used"))
    )


def _expected(visits: pl.DataFrame, frames: Frames) -> list[pl.DataFrame]:
    """Return rows for the last reading, now and when due, by the drift model."""
    drift = frames.get("results.drift_by_belt")
    if drift is None:
        return []
    last = (
        visits.filter(pl.col("tension_n").is_not_null())
        .group_by("belt_id", maintain_order=True)
        .last()
        .with_columns(
            state=pl.lit("expected"),
            fan_lo_n=pl.col("tension_n") - pl.col("half_n"),
            fan_hi_n=pl.col("tension_n") + pl.col("half_n"),
        )
        .join(
            drift.select("belt_id", "odometer_now_mi", "tension_now_n",
                         "tension_now_lo_n", "tension_now_hi_n", "retension_due_mi",
                         "retension_due_date", rate="drift_pct_per_1000mi"),
            on="belt_id",
        )
    )  # fmt: skip
    ahead_mi = pl.col("odometer_now_mi") - pl.col("odometer_mi")
    now = last.with_columns(
        x_mi=pl.col("x_mi") + ahead_mi,
        odometer_mi="odometer_now_mi",
        tension_n="tension_now_n",
        fan_lo_n="tension_now_lo_n",
        fan_hi_n="tension_now_hi_n",
        action=pl.lit("expected now"),
    )
    further_mi = pl.col("retension_due_mi") - pl.col("odometer_mi")
    loss = (-pl.col("rate") / 100 * further_mi / 1000).exp()
    due = now.filter(further_mi > 0).with_columns(
        x_mi=pl.col("x_mi") + further_mi,
        odometer_mi="retension_due_mi",
        date="retension_due_date",
        tension_n=pl.col("tension_n") * loss,
        fan_lo_n=pl.lit(None, dtype=pl.Float64),
        fan_hi_n=pl.lit(None, dtype=pl.Float64),
        action=pl.lit("due"),
    )
    names = ["rank", "belt_id", "date", "odometer_mi", "x_mi", "action", "tension_n",
             "fan_lo_n", "fan_hi_n", "spec_min_n", "spec_max_n", "state"]  # fmt: skip
    last = last.with_columns(action=pl.lit("last reading"))
    drawn_only = pl.lit(value=True).alias("is_drawn_only")
    return [part.select(drawn_only, *names) for part in (last, now, due)]


def story_figure() -> Figure:
    """Return tension against miles of one belt: range, readings, what is expected."""
    traces = [
        *_band("spec_min_n", "spec_max_n", "@good", "range that applied", "vh"),
        *_band("fan_lo_n", "fan_hi_n", "@soft", "expected (95 %)", "linear"),
        _expected_line(),
        _readings("found", "circle", "@main"),
        _readings("left", "triangle-up", "@third"),
        _new_range(),
    ]
    return figure(
        traces,
        x=axis("Distance since fitting ({distance})"),
        y=axis("Tension ({tension})"),
        height=320,
    )


def _band(lo: str, hi: str, colour: str, name: str, shape: str) -> list[dict[str, Any]]:
    edge = {
        "type": "scatter",
        "mode": "lines",
        "x": "$x_mi",
        "line": {"width": 1, "color": colour, "shape": shape},
        "hoverinfo": "skip",
        "connectgaps": True,
    }
    filled = {"fill": "tonexty", "fillcolor": f"{colour}-band", "name": name}
    return [
        {**edge, "y": f"${lo}", "showlegend": False},
        {**edge, "y": f"${hi}", **filled},
    ]


def _expected_line() -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": "$x_mi",
        "y": "$tension_n",
        "line": {"color": "@soft", "dash": "dot", "width": 2},
        "name": "expected, until due",
        "meta": {"where": {"state": "expected"}},
    }


def _readings(name: str, symbol: str, colour: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": "$x_mi",
        "y": "$tension_n",
        "error_y": {
            "type": "data",
            "array": "$half_n",
            "color": colour,
            "thickness": 1.5,
            "width": 3,
        },
        "marker": {"symbol": symbol, "size": 10, "color": colour},
        "name": f"{name} (95 %)",
        "meta": {"where": {"phase": name}},
    }


def _new_range() -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": "$x_mi",
        "y": "$spec_max_n",
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": "$spec_max_n-spec_max_n",
            "arrayminus": "$spec_max_n-spec_min_n",
            "color": "@good",
            "thickness": 6,
            "width": 0,
        },
        "marker": {
            "symbol": "line-ew",
            "size": 10,
            "color": "@good",
            "line": {"color": "@good", "width": 3},
        },
        "hoverinfo": "skip",
        "name": "new-belt range",
        "meta": {"where": {"state": "new"}},
    }
