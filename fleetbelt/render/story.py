"""The story of each belt on the watchlist: what was read, and what that means."""

from typing import Any, Final

import polars as pl

from fleetbelt.render import words
from fleetbelt.render.figures import Figure, axis, figure
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import Column, Table

MOST_ROWS: Final = 10_000
COMPLAINTS_UNDER: Final = 0.97  # of the least that is drawn of a belt

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
    Column(name="gauge_id", label="Gauge, span ({span})", beside="at {span_mm}"),
    Column(name="span_mm", label="Span", kind="span"),
    Column(name="file", label="Record: file, line", beside=", line {line}"),
    Column(name="line", label="Line"),
    Column(name="state", is_shown=False),
    Column(name="half_n", kind="tension", is_shown=False),
    Column(name="fan_lo_n", kind="tension", is_shown=False),
    Column(name="fan_hi_n", kind="tension", is_shown=False),
    Column(name="raised_n", kind="tension", is_shown=False),
)


def place() -> pl.Expr:
    """Return file and line of a record, as text."""
    return pl.format("{}, line {}", "file", "line")


def stories(frames: Frames, belts: pl.DataFrame) -> Table | None:
    """Return every visit and complaint of the belts, and the course of the tension.

    Parameters
    ----------
    frames : Frames
    belts : pl.DataFrame
        Columns ``belt_id`` and ``rank``, the order in which they are kept.

    Returns
    -------
    Table or None
        Whole belts up to `MOST_ROWS` rows; None without ``pages.belt_story``.
    """
    story = frames.get("pages.belt_story")
    if story is None:
        return None
    rows = story.join(belts.select("belt_id", "rank"), on="belt_id")
    is_left = (pl.col("phase") == "left").fill_null(value=False)
    rows = rows.sort("rank", "date", "odometer_mi", "service_id", is_left)
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
            raised_n=_raised(),
            fan_lo_n=pl.lit(None, dtype=pl.Float64),
            fan_hi_n=pl.lit(None, dtype=pl.Float64),
            is_drawn_only=pl.lit(value=False),
        )
    )
    names = [column.name for column in _COLUMNS]
    whole = pl.concat(
        [
            visits.select("rank", "is_drawn_only", *names),
            _complaints(visits, frames),
            _course(visits, frames),
        ],
        how="diagonal",
    ).select("rank", "is_drawn_only", *names)
    return Table(frame=_slim(_first_belts(whole)), columns=_COLUMNS)


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
    """Keep the first belts that fit into the page, each with all its rows."""
    rows = rows.sort("rank", maintain_order=True)
    lengths = rows["rank"].rle().struct.field("len").cum_sum()
    fits = lengths.filter(lengths <= MOST_ROWS)
    return rows.head(int(fits[-1]) if fits.len() else MOST_ROWS)


def _slim(rows: pl.DataFrame) -> pl.DataFrame:
    """Put what is only drawn last, where its empty columns take no room in a page."""
    drawn = pl.col("is_drawn_only")
    return rows.sort(drawn, maintain_order=True).with_columns(
        odometer_mi=pl.when(~drawn).then("odometer_mi"),
        x_mi=pl.when(drawn).then(pl.col("x_mi").round(0)).otherwise("x_mi"),
    )


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


def _raised() -> pl.Expr:
    """Return by how much a setting raised what was found; null where not both read."""
    found = pl.col("tension_n").filter(pl.col("phase") == "found").first()
    by = pl.col("tension_n") - found.over("service_id")
    return pl.when(pl.col("phase") == "left").then(by)


def _places(visits: pl.DataFrame) -> pl.DataFrame:
    """Return of each belt its rank, how to get from odometer to its miles, and more."""
    lowest = pl.min_horizontal(
        pl.col("spec_min_n").min(), (pl.col("tension_n") - pl.col("half_n")).min()
    )
    return visits.group_by("belt_id", maintain_order=True).agg(
        pl.col("rank").first(),
        fitted_mi=(pl.col("odometer_mi") - pl.col("x_mi")).first(),
        spec_min_n=pl.col("spec_min_n").drop_nulls().last(),
        spec_max_n=pl.col("spec_max_n").drop_nulls().last(),
        lowest_n=lowest * COMPLAINTS_UNDER,
    )


def _complaints(visits: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Return a row for each complaint, marked under everything read of its belt."""
    complaints = frames.get("marts.belt_complaints")
    if complaints is None:
        return pl.DataFrame()
    return complaints.join(
        _places(visits).drop("spec_min_n", "spec_max_n"), on="belt_id"
    ).select(
        "rank",
        "belt_id",
        "date",
        "odometer_mi",
        x_mi=pl.col("odometer_mi") - pl.col("fitted_mi"),
        action=pl.format("complaint: {}", "noise"),
        tension_n="lowest_n",
        state=pl.lit("complaint"),
        is_drawn_only=pl.lit(value=True),
    )


def _course(visits: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Return rows from the last record through now and further, by the drift model."""
    ahead = frames.get("fitted.belt_ahead")
    if ahead is None:
        return pl.DataFrame()
    course = (
        ahead.sort("belt_id", "odometer_mi")
        .join(_places(visits), on="belt_id", maintain_order="left")
        .with_columns(
            x_mi=pl.col("odometer_mi") - pl.col("fitted_mi"),
            state=pl.lit("expected"),
            fan_lo_n="tension_lo_n",
            fan_hi_n="tension_hi_n",
            is_drawn_only=pl.lit(value=True),
        )
    )
    now = course.filter("is_now").with_columns(state=pl.lit("now"))
    names = ["rank", "belt_id", "odometer_mi", "x_mi", "tension_n", "state",
             "is_drawn_only"]  # fmt: skip
    limits = ["spec_min_n", "spec_max_n", "fan_lo_n", "fan_hi_n"]
    return pl.concat(
        [course.select(*names, *limits), now.select(names)], how="diagonal"
    )


def story_figure() -> Figure:
    """Return tension against miles of one belt: range, readings, course, complaints."""
    traces = [
        *_band("spec_min_n", "spec_max_n", "@good", "range that applied", "vh"),
        *_band("fan_lo_n", "fan_hi_n", "@soft", "expected (95 %)", "linear"),
        *_expected_lines(),
        _set_again(),
        _readings("found", "circle", "@main"),
        _readings("left", "triangle-up", "@third"),
        _new_range(),
        _complaint_marks(),
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


def _expected_lines() -> list[dict[str, Any]]:
    """Return the course as a line, and where the belt stands on it now."""
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "x": "$x_mi",
            "y": "$tension_n",
            "line": {"color": "@soft", "dash": "dot", "width": 2},
            "name": "expected",
            "meta": {"where": {"state": "expected"}},
        },
        {
            "type": "scatter",
            "mode": "markers",
            "x": "$x_mi",
            "y": "$tension_n",
            "marker": {"symbol": "diamond-open", "size": 11, "color": "@soft"},
            "name": "now, expected",
            "meta": {"where": {"state": "now"}},
        },
    ]


def _set_again() -> dict[str, Any]:
    """Return a line from what was found to what was left, where a belt was set."""
    return {
        "type": "scatter",
        "mode": "markers",
        "x": "$x_mi",
        "y": "$tension_n",
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": "$raised_n-raised_n",
            "arrayminus": "$raised_n",
            "color": "@third",
            "thickness": 3,
            "width": 0,
        },
        "marker": {"symbol": "line-ew", "size": 12, "color": "@third",
                   "line": {"color": "@third", "width": 3}},
        "hoverinfo": "skip",
        "name": "set",
        "meta": {"where": {"phase": "left"}},
    }  # fmt: skip


def _complaint_marks() -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": "$x_mi",
        "y": "$tension_n",
        "marker": {"symbol": "x", "size": 10, "color": "@warn"},
        "customdata": "$action",
        "hovertemplate": "%{customdata}<extra></extra>",
        "name": "complaint",
        "meta": {"where": {"state": "complaint"}},
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
