"""What technicians leave behind, with the gauge allowed for and in fair words."""

from typing import Any, Final

import numpy as np
import polars as pl

from fleetbelt.models.funnel import between_units, funnel_limit
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
_ONE_OF_BOTH: Final = "No gauge is calibrated, so hand and gauge cannot be told apart."
_HOW_BOTH: Final = "Record readings of known loads in calibrations.csv."
_HOW: Final = (
    "Record technician_id, gauge_id, span and reading_left of each setting in "
    "services.csv."
)
FEW: Final = 20
WHO: Final = (
    Column(name="technician_id", label="Technician"),
    Column(name="name", is_shown=False),
    Column(name="shop", label="Shop"),
    Column(name="settings", label="Settings", kind="count"),
)


def _enough(frames: Frames, *columns: str, of: str = "settings") -> pl.DataFrame | None:
    """Return the technicians with enough of these and the columns known, by name."""
    table = frames.get("results.technician_results")
    if table is None:
        return None
    kept = table.filter(pl.col(of) >= FEW).drop_nulls(list(columns))
    by_name = kept.with_columns(name=pl.col("technician_id")).sort("technician_id")
    return None if kept.is_empty() else by_name


def is_calibrated(frames: Frames) -> bool:
    """Tell whether any gauge is calibrated, so that tensions are put right by it."""
    return frames.get("results.gauge_curves") is not None


def too_few(table: pl.DataFrame, of: str, noun: str) -> str:
    """Say kindly of whom there is too little to compare; nothing where of nobody."""
    few = table.filter(pl.col(of) < FEW).sort("technician_id")
    if few.is_empty():
        return ""
    names = [f"{name} ({n})" for name, n in few.select("technician_id", of).rows()]
    return f" Too few {noun} yet to compare fairly (under {FEW}): {listed(names, '')}."


def _few(frames: Frames, of: str = "settings", noun: str = "settings") -> str:
    table = frames.get("results.technician_results")
    return "" if table is None else too_few(table, of, noun)


def in_range(frames: Frames) -> Section:
    """Show each technician's share set in range against the number of settings."""
    question = "Who leaves belts in range as often as expected?"
    people = _enough(frames, "in_spec_share")
    if people is None:
        return missing("in-range", question, _NONE, _HOW)
    settings = people["settings"].to_numpy()
    held = np.rint(settings * people["in_spec_share"].to_numpy())
    overall = float(held.sum() / settings.sum())
    between = between_units(held, settings, overall)
    limits = _limits(int(settings.max()), overall, between)
    frame = pl.concat(
        [people.with_columns(
            part=pl.lit("person"), is_drawn_only=pl.lit(value=False),
            stands=pl.when(pl.col("in_spec_standing").is_in(["worse", "better"]))
            .then("in_spec_standing").otherwise(pl.lit("as_expected"))),
         limits],
        how="diagonal",
    )  # fmt: skip
    return Section(
        key="in-range",
        question=question,
        answer=_standing(people, overall),
        caveat=sentence(
            "Named where a difference is more than the draw and the number of "
            "comparisons explain (Benjamini-Hochberg, 5 %), never by rank. "
            "{gauge}{few}",
            gauge="Shares are of corrected tensions, so a person is not charged for a "
            "calibrated gauge."
            if is_calibrated(frames)
            else "No gauge is calibrated: a gauge that is off counts as the person's.",
            few=_few(frames),
        ),
        caption=_caption(between),
        figure=_funnel(with_spread=between > 0),
        table=Table(
            frame=frame,
            columns=(
                *WHO,
                *interval_columns("in_spec_share", "in_spec_lo", "in_spec_hi",
                                  label="Left in range", kind="share"),
                Column(name="in_spec_standing", label="Against all together",
                       words=words.STANDINGS),
                Column(name="part", is_shown=False),
                Column(name="stands", is_shown=False),
                *(Column(name=name, kind="share", digits=2, is_shown=False)
                  for name in (*_LIMITS, *_WIDE)),
            ),
        ),
        method="method-people",
    )  # fmt: skip


def _caption(between: float) -> Sentence:
    lines = sentence(
        "Lines: where 95 % and 99.8 % of technicians would lie, if all were alike."
    )
    if not between:
        return (*lines, " No spread between technicians shows beyond that.")
    return lines + sentence(
        " They are not: true shares differ by {sd} points (standard deviation); the "
        "long dashes are the 95 % limits that allow for it.",
        sd=f"{100 * between:.1f}",
    )


_WIDE: Final = {"lo_wide": 0.025, "hi_wide": 0.975}
_LIMITS: Final = {"lo95": 0.025, "hi95": 0.975, "lo998": 0.001, "hi998": 0.999}


def _limits(most: int, overall: float, between: float) -> pl.DataFrame:
    """Return the funnel's lines at some numbers of settings."""
    n = np.unique(np.geomspace(FEW, max(most * 1.1, FEW + 1), 40).astype(int))
    return pl.DataFrame(
        {"settings": n.astype(np.int64)}
        | {name: funnel_limit(n, overall, p) for name, p in _LIMITS.items()}
        | {
            name: funnel_limit(n, overall, p, between_sd=between)
            for name, p in _WIDE.items()
        }
    ).with_columns(
        part=pl.lit("limit"),
        is_drawn_only=pl.lit(value=True),
        in_spec_share=pl.lit(overall),
    )


def _funnel(*, with_spread: bool) -> Figure:
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

    return figure(
        [
            line("in_spec_share", "solid", "all together"),
            line("lo95", "dash", "95 %"),
            line("hi95", "dash", ""),
            line("lo998", "dot", "99.8 %"),
            line("hi998", "dot", ""),
            *(
                [
                    line("lo_wide", "longdash", "95 %, differences allowed for"),
                    line("hi_wide", "longdash", ""),
                ]
                if with_spread
                else []
            ),
            *(_dots(*look) for look in _STANDS),
        ],
        x=axis("Settings"),
        y=axis("Left in range (%)", tickformat=".0%"),
        height=440,
    )


_STANDS: Final = (  # those that stand out are named first
    ("worse", "fewer", "triangle-down", "@warn"),
    ("better", "more", "triangle-up", "@good"),
    ("as_expected", "as expected", "circle", "@main"),
)


def _dots(standing: str, words_: str, symbol: str, colour: str) -> Trace:
    return {
        "type": "scatter",
        "mode": "markers+text",
        "x": "$settings",
        "y": "$in_spec_share",
        "customdata": "$technician_id",
        "textfont": {"size": 11, "color": "@ink"},
        "marker": {"size": 10, "color": colour, "symbol": symbol},
        "hovertemplate": "%{customdata}: %{y} of %{x}<extra></extra>",
        "name": words_,
        "meta": {"names": True, "where": {"part": "person", "stands": standing}},
    }


def _standing(people: pl.DataFrame, overall: float) -> Sentence:
    fewer, more = _marked(people, "in_spec_standing")
    return sentence(
        "All together {overall} of settings are left in range. Fewer than that, by "
        "more than chance explains: {fewer}. More: {more}.",
        overall=Quantity(value=overall, kind="share"),
        fewer=listed(fewer, "nobody"),
        more=listed(more, "nobody"),
    )


def _marked(people: pl.DataFrame, standing: str) -> tuple[list[str], list[str]]:
    """Return who stands worse, and who better."""
    fewer, more = (
        people.filter(pl.col(standing) == word)["technician_id"].to_list()
        for word in ("worse", "better")
    )
    return fewer, more


def habit(frames: Frames) -> Section:
    """Show each technician's habit beside what was left, gauge error included."""
    question = "Is it the hand or the gauge?"
    people = _enough(frames, "bias_pct", "bias_lo", "bias_hi", "left_bias_pct")
    if (
        people is None
        and _enough(frames, "in_spec_share") is not None
        and not is_calibrated(frames)
    ):
        return missing("habit", question, _ONE_OF_BOTH, _HOW_BOTH)
    if people is None:
        return missing("habit", question, _NONE, _HOW)
    people = people.with_columns(
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
            "Who corrects for the gauge shows only where a person used gauges that "
            "differ by 6 % or more. Neither number says why.{few}",
            few=_few(frames),
        ),
        figure=plot,
        table=Table(
            frame=people,
            columns=(
                *WHO,
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
    columns = ("hold_share", "hold_lo", "hold_hi", "hold_expected")
    people = _enough(frames, *columns, of="hold_n")
    if people is None:
        return missing("hold", question, _NONE, _HOW)
    people = people.with_columns(whole=pl.lit(None, dtype=pl.Float64))
    plot: dict[str, Any] = interval_dots(
        value="hold_share", lo="hold_lo", hi="hold_hi", rows=people.height,
        title="Still in range at the next reading (%)", tickformat=".0%",
    )  # fmt: skip
    plot["data"][1] |= {"name": "held", "showlegend": True}
    expected = marks("hold_expected", name="expected", symbol="line-ns", colour="@warn")
    expected["marker"] |= {"size": 16, "line": {"width": 3, "color": "@warn"}}
    plot["data"].append(expected)
    fewer, more = _marked(people, "standing")
    return Section(
        key="hold",
        question=question,
        answer=_held(fewer, more),
        caveat=sentence(
            "Expected: from the miles run and the model's loss of tension. Judged with "
            "the number of comparisons in mind (Benjamini-Hochberg, 5 %), and with "
            "what one gauge's error can do to all of a person's settings.{few}",
            few=_few(frames, "hold_n", "settings read again"),
        ),
        figure=plot,
        table=Table(
            frame=people,
            columns=(
                *WHO,
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


def _held(fewer: list[str], more: list[str]) -> Sentence:
    if not fewer and not more:
        return ("Nobody's settings hold clearly less or more often than expected.",)
    return sentence(
        "Fewer settings than expected held for {fewer}; more than expected for {more}.",
        fewer=listed(fewer, "nobody"),
        more=listed(more, "nobody"),
    )


def rechecks(frames: Frames) -> Section:
    """Show whose installs get their recheck after run-in."""
    question = "Who gets the recheck after run-in done?"
    people = _enough(frames, "run_in_recheck_share", of="run_in_installs")
    if people is None:
        return missing("rechecks", question, _NONE, _HOW)
    installs = people["run_in_installs"].to_numpy()
    overall, early = (
        float(people[name].to_numpy() @ installs / installs.sum())
        for name in ("run_in_recheck_share", "early_recheck_share")
    )
    fewer, more = _marked(people, "run_in_recheck_standing")
    return Section(
        key="rechecks",
        question=question,
        answer=sentence(
            "All together {overall} of installs were rechecked after run-in; {early} "
            "were read before the engine had run five minutes, which counts as none. "
            "Fewer than that, by more than chance explains: {fewer}. More: {more}.",
            overall=Quantity(value=overall, kind="share"),
            early=Quantity(value=early, kind="share", digits=1),
            fewer=listed(fewer, "nobody"),
            more=listed(more, "nobody"),
        ),
        caveat=sentence(
            "Of a technician's installs that ran {far} or more, those rechecked by "
            "anyone. Bookings, not only habits, decide this.{few}",
            far=Quantity(value=1_000, kind="distance"),
            few=_few(frames, "run_in_installs", "installs"),
        ),
        figure=interval_dots(
            value="run_in_recheck_share", lo="run_in_recheck_lo",
            hi="run_in_recheck_hi", rows=people.height,
            title="Installs rechecked (%)", tickformat=".0%", rangemode="tozero",
        ),
        table=Table(
            frame=people.with_columns(whole=pl.lit(overall)),
            columns=(
                *WHO[:3],
                Column(name="run_in_installs", label="Installs", kind="count"),
                *interval_columns("run_in_recheck_share", "run_in_recheck_lo",
                                  "run_in_recheck_hi", label="Rechecked",
                                  kind="share"),
                Column(name="run_in_recheck_standing", label="Against all together",
                       words=words.STANDINGS),
                Column(name="early_recheck_share", label="Read too early",
                       kind="share"),
                Column(name="whole", kind="share", is_shown=False),
            ),
        ),
        method="method-people",
    )  # fmt: skip
