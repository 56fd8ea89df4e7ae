"""What technicians leave behind, with the gauge allowed for and in fair words."""

from typing import Any, Final

import numpy as np
import polars as pl

from fleetbelt.render import words
from fleetbelt.render.figures import (
    Figure,
    Trace,
    axis,
    figure,
    interval_dots,
    marks,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.funnel import funnel_limit
from fleetbelt.render.section import (
    Column,
    Quantity,
    Section,
    Sentence,
    Table,
    digits_for,
    interval_columns,
    missing,
    sentence,
)
from fleetbelt.render.shares import listed

_NONE: Final = "No technician has enough settings to compare."
_HOW: Final = (
    "Record technician_id, gauge_id, span and reading_left of each setting in "
    "services.csv."
)
_FEW: Final = 20
_WHO: Final = (
    Column(name="technician_id", label="Technician"),
    Column(name="name", is_shown=False),
    Column(name="shop", label="Shop"),
    Column(name="settings", label="Settings", kind="count"),
)


def _enough(frames: Frames, *columns: str) -> pl.DataFrame | None:
    """Return the technicians with enough settings and these columns known."""
    table = frames.get("results.technician_results")
    if table is None:
        return None
    kept = table.filter(pl.col("settings") >= _FEW).drop_nulls(list(columns))
    return None if kept.is_empty() else kept.with_columns(name=pl.col("technician_id"))


def in_range(frames: Frames) -> Section:
    """Show each technician's share set in range against the number of settings."""
    question = "Who leaves belts in range as often as expected?"
    people = _enough(frames, "in_spec_share")
    if people is None:
        return missing("in-range", question, _NONE, _HOW)
    people = people.sort("technician_id")
    settings = people["settings"].to_numpy()
    overall = float(np.average(people["in_spec_share"].to_numpy(), weights=settings))
    limits = _limits(int(settings.max()), overall)
    frame = pl.concat(
        [people.with_columns(part=pl.lit("person"), is_drawn_only=pl.lit(value=False)),
         limits],
        how="diagonal",
    )  # fmt: skip
    return Section(
        key="in-range",
        question=question,
        answer=_standing(people, overall),
        caveat=sentence(
            "Inside the funnel a difference is what the draw alone brings. Shares are "
            "of corrected tensions, so a person is not charged for a gauge. "
            f"Technicians with fewer than {_FEW} settings are left out."
        ),
        caption=sentence(
            "Lines: where 95 % and 99.8 % of technicians would lie, if all were alike."
        ),
        figure=_funnel(),
        table=Table(
            frame=frame,
            columns=(
                *_WHO,
                *interval_columns("in_spec_share", "in_spec_lo", "in_spec_hi",
                                  label="Left in range", kind="share"),
                Column(name="standing", label="Settings that held, against expectation",
                       words=words.STANDINGS),
                Column(name="part", is_shown=False),
                *(Column(name=name, kind="share", digits=2, is_shown=False)
                  for name in _LIMITS),
            ),
        ),
        method="method-people",
    )  # fmt: skip


_LIMITS: Final = {"lo95": 0.025, "hi95": 0.975, "lo998": 0.001, "hi998": 0.999}


def _limits(most: int, overall: float) -> pl.DataFrame:
    """Return the funnel's lines at some numbers of settings."""
    n = np.unique(np.geomspace(_FEW, max(most * 1.1, _FEW + 1), 40).astype(int))
    return pl.DataFrame(
        {"settings": n.astype(np.int64)}
        | {name: funnel_limit(n, overall, p) for name, p in _LIMITS.items()}
    ).with_columns(
        part=pl.lit("limit"),
        is_drawn_only=pl.lit(value=True),
        in_spec_share=pl.lit(overall),
    )


def _funnel() -> Figure:
    def line(name: str, dash: str, words_: str) -> Trace:
        return {
            "type": "scatter",
            "mode": "lines",
            "x": "$settings",
            "y": f"${name}",
            "line": {"color": "@soft", "dash": dash, "width": 1.5},
            "hoverinfo": "skip",
            "name": words_,
            "showlegend": bool(words_),
            "meta": {"where": {"part": "limit"}},
        }

    people: Trace = {
        "type": "scatter",
        "mode": "markers+text",
        "x": "$settings",
        "y": "$in_spec_share",
        "text": "$technician_id",
        "textposition": "top center",
        "textfont": {"size": 11, "color": "@ink"},
        "marker": {"size": 9, "color": "@main"},
        "hovertemplate": "%{text}: %{y} of %{x}<extra></extra>",
        "name": "a technician",
        "showlegend": False,
        "meta": {"where": {"part": "person"}},
    }
    return figure(
        [
            line("in_spec_share", "solid", "all together"),
            line("lo95", "dash", "95 %"),
            line("hi95", "dash", ""),
            line("lo998", "dot", "99.8 %"),
            line("hi998", "dot", ""),
            people,
        ],
        x=axis("Settings"),
        y=axis("Left in range (%)", tickformat=".0%"),
        height=440,
    )


def _standing(people: pl.DataFrame, overall: float) -> Sentence:
    fewer = people.filter(pl.col("in_spec_hi") < overall)["technician_id"].to_list()
    more = people.filter(pl.col("in_spec_lo") > overall)["technician_id"].to_list()
    return sentence(
        "All together {overall} of settings are left in range. Fewer than that, by "
        "more than chance explains: {fewer}. More: {more}.",
        overall=Quantity(value=overall, kind="share"),
        fewer=listed(fewer, "nobody"),
        more=listed(more, "nobody"),
    )


def habit(frames: Frames) -> Section:
    """Show each technician's habit beside what was left, gauge error included."""
    question = "Is it the hand or the gauge?"
    people = _enough(frames, "bias_pct", "bias_lo", "bias_hi", "left_bias_pct")
    if people is None:
        return missing("habit", question, _NONE, _HOW)
    people = people.sort("bias_pct", "technician_id").with_columns(
        whole=pl.lit(0.0), gap=(pl.col("left_bias_pct") - pl.col("bias_pct")).abs()
    )
    widest = people.sort("gap", descending=True).row(0, named=True)
    digits = digits_for(people["bias_lo"][0], people["bias_hi"][0])
    plot = interval_dots(
        value="bias_pct", lo="bias_lo", hi="bias_hi", rows=people.height,
        title="Above or below the target (%)",
    )  # fmt: skip
    plot["data"][1] |= {
        "name": "the hand: habit, gauge allowed for",
        "showlegend": True,
    }
    left = marks("left_bias_pct", name="what was left", symbol="diamond-open",
                 colour="@warn")  # fmt: skip
    plot["data"].append(left)
    return Section(
        key="habit",
        question=question,
        answer=sentence(
            "The two lie furthest apart for {who}: the hand sets {hand}, what was left "
            "is {left}. The difference is the gauge.",
            who=widest["technician_id"],
            hand=_signed(widest["bias_pct"]),
            left=_signed(widest["left_bias_pct"]),
        ),
        caveat=sentence(
            "The habit is drawn towards the mean of all where there are few settings. "
            "Neither number says why."
        ),
        figure=plot,
        table=Table(
            frame=people,
            columns=(
                *_WHO,
                *interval_columns("bias_pct", "bias_lo", "bias_hi", label="The hand",
                                  kind="percent", digits=digits),
                Column(name="left_bias_pct", label="What was left", kind="percent",
                       digits=digits),
                Column(name="spread_pct", label="Spread of settings", kind="percent",
                       digits=digits),
                Column(name="corrects_share", label="Corrects for the gauge",
                       kind="share"),
                Column(name="whole", kind="percent", is_shown=False),
            ),
        ),
        method="method-people",
    )  # fmt: skip


def _signed(value: float) -> Sentence:
    way = "above the target" if value > 0 else "below the target"
    return (Quantity(value=abs(value), kind="percent", digits=1), " ", way)


def hold(frames: Frames) -> Section:
    """Show whose settings are still in range at the next reading."""
    question = "Whose settings hold?"
    people = _enough(frames, "hold_share", "hold_lo", "hold_hi", "hold_expected")
    if people is None:
        return missing("hold", question, _NONE, _HOW)
    people = people.sort("hold_share", "technician_id").with_columns(
        whole=pl.lit(None, dtype=pl.Float64)
    )
    plot: dict[str, Any] = interval_dots(
        value="hold_share", lo="hold_lo", hi="hold_hi", rows=people.height,
        title="Still in range at the next reading (%)", tickformat=".0%",
    )  # fmt: skip
    plot["data"][1] |= {"name": "held", "showlegend": True}
    expected = marks("hold_expected", name="expected", symbol="line-ns", colour="@warn")
    expected["marker"] |= {"size": 16, "line": {"width": 3, "color": "@warn"}}
    plot["data"].append(expected)
    fewer = people.filter(pl.col("standing") == "worse")["technician_id"].to_list()
    more = people.filter(pl.col("standing") == "better")["technician_id"].to_list()
    return Section(
        key="hold",
        question=question,
        answer=sentence(
            "Fewer settings than expected held for {fewer}; more than expected for "
            "{more}.",
            fewer=listed(fewer, "nobody"),
            more=listed(more, "nobody"),
        ),
        caveat=sentence(
            "Expected: from the miles run and the model's loss of tension. Judged with "
            "the number of comparisons in mind (Benjamini-Hochberg, 5 %)."
        ),
        figure=plot,
        table=Table(
            frame=people,
            columns=(
                *_WHO,
                Column(name="hold_n", label="Settings read again", kind="count"),
                *interval_columns("hold_share", "hold_lo", "hold_hi", label="Held",
                                  kind="share"),
                Column(name="hold_expected", label="Expected", kind="share"),
                Column(name="standing", label="Standing", words=words.STANDINGS),
                Column(name="whole", kind="share", is_shown=False),
            ),
        ),
        method="method-people",
    )  # fmt: skip


def rechecks(frames: Frames) -> Section:
    """Show whose installs get their recheck after run-in."""
    question = "Who gets the recheck after run-in done?"
    people = _enough(frames, "run_in_recheck_share")
    if people is None:
        return missing("rechecks", question, _NONE, _HOW)
    people = people.sort("run_in_recheck_share", "technician_id")
    least = people.row(0, named=True)
    plain = marks("run_in_recheck_share", name="", symbol="circle", colour="@main")
    shown = min(people.height, 40)
    return Section(
        key="rechecks",
        question=question,
        answer=sentence(
            "From {least} of installs ({who}) to {most} ({other}).",
            least=Quantity(value=least["run_in_recheck_share"], kind="share"),
            who=least["technician_id"],
            most=Quantity(value=people["run_in_recheck_share"][-1], kind="share"),
            other=people["technician_id"][-1],
        ),
        caveat=sentence(
            "Of a technician's installs that ran {far} or more, those rechecked by "
            "anyone. Bookings, not only habits, decide this.",
            far=Quantity(value=1_000, kind="distance"),
        ),
        figure=figure(
            [plain | {"showlegend": False}],
            x=axis("Installs rechecked (%)", tickformat=".0%", rangemode="tozero"),
            y={
                "tickvals": "$#",
                "ticktext": "$name",
                "range": [shown - 0.5, -0.5],
                "zeroline": False,
            },
            height=90 + 30 * shown,
        ),
        table=Table(
            frame=people,
            columns=(
                *_WHO,
                Column(name="run_in_recheck_share", label="Rechecked", kind="share"),
            ),
        ),
        method="method-people",
    )
