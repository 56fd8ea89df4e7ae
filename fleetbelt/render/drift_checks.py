"""What the loss of tension depends on, and whether its model holds."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import polars as pl

from fleetbelt.render.figures import Figure, axis, figure, interval_dots
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Kind,
    Quantity,
    Section,
    Sentence,
    Table,
    digits_for,
    interval_columns,
    missing,
    said,
    sentence,
)
from fleetbelt.render.words import NO_DRIFT, NO_DRIFT_HOW

SOUND_MEAN: Final = 0.1  # standard deviations; common practice, no source
SOUND_SD: Final = (0.9, 1.1)
SOUND_CORRELATION: Final = 0.1
MOVES_SE: Final = 2.0  # a gauge that moves the loss by more standard errors is named

_LESS_MORE: Final = ("less", "more")
_KEPT: Final = {
    "refitted": "A refitted belt loses {value} {more} ({interval}). ",
    "set_level": "A belt set 10 % tighter loses {value} {more} ({interval}). ",
    "duty": "Vehicles on {duty} duty lose {value} {more} than those on {base} "
    "({interval}). ",
    "hot": "A belt read hot shows {value} {more} ({interval}). ",
}
_UNTOLD: Final = (
    "Whether it depends on {names} cannot be told: the records hold no such belts, or "
    "no others. "
)
_SPOKEN: Final = {
    "refitted": "refitting",
    "set_level": "how tightly a belt was set",
    "duty": "duty",
    "hot": "reading a belt hot",
}
_ROWS: Final = {
    "duty": "{duty} rather than {base} duty",
    "set_level": "set 10 % tighter",
    "refitted": "refitted rather than new",
    "hot": "read hot rather than cold",
    "left_shift": "left readings too high",
    "left_slope": "reading error in left readings",
}
_ORDER: Final = {name: place for place, name in enumerate(_ROWS)}


def effects(frames: Frames) -> Section:
    """Say which of duty, level, refitting and heat the loss depends on."""
    key, question = "drift-effects", "What else does the loss depend on?"
    table = frames.get("results.drift_effects")
    if table is not None:
        table = table.filter(pl.col("effect").is_in(list(_ROWS)))
    if table is None or table.is_empty():
        return missing(key, question, NO_DRIFT, NO_DRIFT_HOW)
    table = table.sort(pl.col("effect").replace_strict(_ORDER), "duty")
    of_drift = table.filter(pl.col("unit").str.starts_with("% per 1,000 mi"))
    return Section(
        key=key,
        question=question,
        answer=_effects_in_words(table),
        caveat=_error_in_words(table),
        figure=interval_dots(
            value="rate",
            lo="rate_lo",
            hi="rate_hi",
            title="More loss ({percent_rate})",
            rows=of_drift.height,
        ),
        table=_effects_table(table),
        method="method-drift-effects",
    )


def _effects_in_words(table: pl.DataFrame) -> Sentence:
    """Say each effect that is kept, then those that are not, then the untold."""
    told = table.filter(pl.col("effect").is_in(list(_KEPT)))
    kept, rest = told.filter("is_kept"), told.filter(pl.col("is_kept").not_())
    words: list[str | Quantity] = []
    for row in kept.iter_rows(named=True):
        words.extend(_effect_in_words(row))
    faint = rest.drop_nulls("estimate")
    for place, row in enumerate(faint.iter_rows(named=True)):
        words.append("; " if place else "No difference stands out for ")
        words.extend(_faint_in_words(row))
    untold = rest.filter(pl.col("estimate").is_null())["effect"]
    if faint.height:
        words.append(". ")
    if untold.len():
        names = [_SPOKEN[name] for name in untold.unique(maintain_order=True)]
        words.extend(sentence(_UNTOLD, names=_listed(names)))
    return tuple(words)


def _faint_in_words(row: dict[str, Any]) -> Sentence:
    limits = (row["estimate_lo"], row["estimate_hi"])
    kind = _kind(row["effect"])
    digits = digits_for(*limits)
    lo = Quantity(value=limits[0], kind=kind, digits=digits, is_bare=True)
    return sentence(
        "{name} (95 % interval {lo} to {hi})",
        name=_row_name(row),
        lo=lo,
        hi=replace(lo, value=limits[1], is_bare=False),
    )


def _row_name(row: dict[str, Any]) -> str:
    return _ROWS[row["effect"]].format(duty=row["duty"], base=row["duty_base"])


def _kind(effect: str) -> Kind:
    return "percent" if effect == "hot" else "percent_rate"


def _effect_in_words(row: dict[str, Any]) -> Sentence:
    kind = _kind(row["effect"])
    limits = (row["estimate_lo"], row["estimate_hi"])
    sign = 1 if row["estimate"] >= 0 else -1
    lo, hi = sorted(sign * limit for limit in limits)
    value, interval = said(
        abs(row["estimate"]), lo, hi, kind=kind, digits=digits_for(lo, hi)
    )
    return sentence(
        _KEPT[row["effect"]],
        value=value,
        more=_LESS_MORE[sign > 0],
        interval=interval,
        duty=row["duty"],
        base=row["duty_base"] or "other",
    )


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _error_in_words(table: pl.DataFrame) -> Sentence:
    """Say how far the scatter of settings is reading error, where that is allowed."""
    rows = table.filter(pl.col("effect") == "left_slope", "is_kept")
    words = sentence(
        "Each is tested beside the others by likelihood ratio and kept where it gains "
        "more than the log of the number of readings. Association in these records."
    )
    if rows.is_empty():
        return words
    row = rows.row(0, named=True)
    share = Quantity(value=row["estimate"], kind="share")
    lo, hi = (replace(share, value=row[f"estimate_{x}"], is_bare=True) for x in _LIMITS)
    return (
        *words,
        *sentence(
            " Of the scatter of what settings were left at, {share} is reading error "
            "(95 % interval {lo} to {hi}) and taken off.",
            share=share,
            lo=lo,
            hi=hi,
        ),
    )


_LIMITS: Final = ("lo", "hi")


def _effects_table(table: pl.DataFrame) -> Table:
    is_rate = pl.col("unit").str.starts_with("% per 1,000 mi")
    is_share = pl.col("unit") == "share"
    per_cent = pl.when(is_share).then(100.0).otherwise(1.0)
    names = [_row_name(row) for row in table.iter_rows(named=True)]
    columns = {"": "estimate", "_lo": "estimate_lo", "_hi": "estimate_hi"}
    frame = table.with_columns(
        *(pl.when(is_rate).then(c).alias(f"rate{end}") for end, c in columns.items()),
        *(
            pl.when(~is_rate).then(pl.col(c) * per_cent).alias(f"pct{end}")
            for end, c in columns.items()
        ),
        name=pl.Series(names, dtype=pl.String),
        whole=pl.lit(0.0),
        kept=pl.when("is_kept").then(pl.lit("yes")).otherwise(pl.lit("no")),
    )
    return Table(
        frame=frame,
        columns=(
            Column(name="name", label="Of"),
            *interval_columns(
                "rate", "rate_lo", "rate_hi", label="More loss", kind="percent_rate",
                digits=3,
            ),
            *interval_columns(
                "pct", "pct_lo", "pct_hi", label="Of a reading", kind="percent",
                digits=2,
            ),
            Column(name="deviance", label="Likelihood ratio", kind="number", digits=1),
            Column(name="df", label="Degrees of freedom", kind="count"),
            Column(name="p_value", label="p", kind="number", digits=3),
            Column(name="kept", label="In the model"),
            Column(name="whole", kind="percent_rate", is_shown=False),
        ),
    )  # fmt: skip


def checks(frames: Frames) -> Section:
    """Hold each found reading against what the earlier ones foretold."""
    key, question = "drift-checks", "Do the readings agree with the model of loss?"
    table = frames.get("results.drift_checks")
    if table is None:
        return missing(key, question, NO_DRIFT, NO_DRIFT_HOW)
    whole = table.row(by_predicate=pl.col("part") == 0, named=True)
    parts = table.filter(pl.col("part") > 0).sort("of", "part")
    return Section(
        key=key,
        question=question,
        answer=_checks_in_words(whole),
        caveat=(*clock_words(frames), *_put_right(frames), *_left_out(whole)),
        figure=_checks_figure() if parts.height else None,
        table=Table(frame=_by_unit(parts), columns=_CHECK_COLUMNS),
        method="method-drift-effects",
        is_folded=True,
    )


def _checks_in_words(whole: dict[str, Any]) -> Sentence:
    mean, sd, r = (whole[name] for name in ("mean_z", "sd_z", "autocorrelation"))
    if mean is None or sd is None:
        return ("No found reading could be foretold from an earlier one.",)
    is_sound = (
        abs(mean) < SOUND_MEAN
        and SOUND_SD[0] < sd < SOUND_SD[1]
        and abs(r or 0.0) < SOUND_CORRELATION
    )
    correlation: Sentence = ()
    if r is not None:
        correlation = sentence(
            ", and from one visit of a belt to the next a correlation of {r} (0 would "
            "be)",
            r=_z(r),
        )
    return sentence(
        "{verdict}: {n} found readings, each held against what the belt's earlier ones "
        "foretold, lie {mean} standard deviations off on average (95 % interval {lo} "
        "to {hi}; 0 would be right), with a spread of {sd} (1 would be){correlation}.",
        verdict="Yes" if is_sound else "Not quite",
        n=whole["n"],
        mean=_z(mean),
        lo=_z(whole["mean_lo"]),
        hi=_z(whole["mean_hi"]),
        sd=_z(sd),
        correlation=correlation,
    )


def _z(value: float) -> Quantity:
    return Quantity(value=value, kind="number", digits=2)


def _left_out(whole: dict[str, Any]) -> Sentence:
    if not whole["n_left_out"]:
        return ()
    return sentence(
        " Left out: {n} readings on belts read by a gauge whose correction is assumed.",
        n=whole["n_left_out"],
    )


def _put_right(frames: Frames) -> Sentence:
    """Say of which gauges the corrections were learned from shared belts."""
    table = frames.get("results.drift_offsets")
    used = None if table is None else table.filter("is_used")
    if used is None or used.is_empty():
        return ()
    off = (used["ratio"].log().abs()).arg_max()
    most = used.row(off or 0, named=True)
    ratio = Quantity(value=100 * (most["ratio"] - 1), kind="percent", digits=1)
    lo, hi = (
        replace(ratio, value=100 * (most[f"ratio_{end}"] - 1), is_bare=True)
        for end in _LIMITS
    )
    return sentence(
        " {n} gauges and spans without a calibration are put right by the belts that "
        "calibrated gauges read too; furthest off is gauge {cell}, by {ratio} (95 % "
        "interval {lo} to {hi}).",
        n=used.height,
        cell=most["cell"],
        ratio=ratio,
        lo=lo,
        hi=hi,
    )


def clock_words(frames: Frames) -> Sentence:
    """Say whether loss goes with the miles or with their log, and by how much."""
    table = frames.get("results.drift_clocks")
    if table is None:
        return ()
    chosen, other = table.sort("is_chosen", descending=True)["deviance"]
    by = Quantity(value=abs(chosen - other), kind="number", digits=1)
    if table.filter("is_chosen")["clock"].item() != "log_miles":
        return sentence(
            "Loss is taken as even in the miles: the readings fit that {less} than a "
            "loss that slows with them (by {by} in twice the log-likelihood).",
            by=by,
            less="better" if chosen <= other else "hardly worse",
        )
    return sentence(
        "Loss is fast after a setting and slower later: even in the log of the miles "
        "since, which is likelier than even in the miles (twice the log-likelihood is "
        "{by} more). A rate here is the mean over the first 10,000 mi after a setting.",
        by=by,
    )


def _by_unit(parts: pl.DataFrame) -> pl.DataFrame:
    """Lay miles and newtons into columns of their own, so that units follow."""
    unit = {"mi": "miles", "n": "tension"}
    return parts.with_columns(
        pl.when(pl.col("of") == of).then(end).alias(f"{end}_{name}")
        for name, of in unit.items()
        for end in ("least", "most")
    )


_CHECK_COLUMNS: Final = (
    Column(
        name="of",
        label="In tenths by",
        words={"miles": "miles since the reading before", "tension": "tension"},
    ),
    Column(name="part", label="Tenth", kind="count"),
    Column(name="least_mi", label="Miles", kind="distance", beside="to {most_mi}"),
    Column(name="most_mi", label="Miles to", kind="distance"),
    Column(name="least_n", label="Foretold", kind="tension", beside="to {most_n}"),
    Column(name="most_n", label="Foretold to", kind="tension"),
    Column(name="n", label="Readings", kind="count"),
    *interval_columns(
        "mean_z", "mean_lo", "mean_hi", label="Mean", kind="number", digits=2
    ),
    Column(name="sd_z", label="Spread (1 would be right)", kind="number", digits=2),
)


def _checks_figure() -> Figure:
    marks: Iterator[tuple[str, str, str, str]] = iter(
        [
            ("miles", "circle", "@main", "by miles"),
            ("tension", "diamond-open", "@third", "by tension"),
        ]
    )
    traces = [
        {
            "type": "scatter",
            "mode": "markers",
            "x": "$part",
            "y": "$mean_z",
            "error_y": {
                "type": "data",
                "symmetric": False,
                "array": "$mean_hi-mean_z",
                "arrayminus": "$mean_z-mean_lo",
                "color": colour,
                "thickness": 1.5,
                "width": 3,
            },
            "marker": {"symbol": symbol, "size": 9, "color": colour},
            "name": name,
            "meta": {"where": {"of": of}},
        }
        for of, symbol, colour, name in marks
    ]
    return figure(
        traces,
        x=axis("Tenth of the readings, from the least", dtick=1),
        y=axis("Found less foretold (standard deviations)"),
    )


def gauges(frames: Frames) -> Section:
    """Say what becomes of the loss without each gauge."""
    key, question = "drift-gauges", "Does one gauge carry the result?"
    table = frames.get("results.drift_gauges")
    told = None if table is None else table.drop_nulls("shift")
    if told is None or told.height < 2:
        return missing(
            key,
            question,
            "Fewer than two gauges are named in the readings of loss.",
            "Record gauge_id in services.csv.",
        )
    size = pl.col("shift_in_se").abs()
    told = told.sort([size, "gauge_id"], descending=[True, False])
    first = told.row(0, named=True)
    return Section(
        key=key,
        question=question,
        answer=_gauges_in_words(first, told.height),
        caveat=sentence("Each is left out in turn, the spreads held."),
        figure=interval_dots(
            value="drift_without",
            lo="drift_without",
            hi="drift_without",
            title="Loss of all models without it ({percent_rate})",
            rows=told.height,
        ),
        table=Table(
            frame=told.with_columns(
                name=pl.col("gauge_id"), whole=pl.col("drift_without") - pl.col("shift")
            ),
            columns=(
                Column(name="name", label="Gauge left out"),
                Column(name="n_readings", label="Its readings", kind="count"),
                Column(name="drift_without", label="Loss", kind="percent_rate",
                       digits=3),
                Column(name="shift", label="Change", kind="percent_rate", digits=3),
                Column(name="shift_in_se", label="In standard errors", kind="number",
                       digits=1),
                Column(name="whole", kind="percent_rate", digits=3, is_shown=False),
            ),
        ),
        method="method-drift-effects",
        is_folded=True,
    )  # fmt: skip


def _gauges_in_words(first: dict[str, Any], n: int) -> Sentence:
    by = Quantity(value=abs(first["shift"]), kind="percent_rate", digits=3)
    se = Quantity(value=abs(first["shift_in_se"]), kind="number", digits=1)
    if abs(first["shift_in_se"]) > MOVES_SE:
        return sentence(
            "Gauge {gauge} weighs: without its readings the loss of all models changes "
            "by {by}, {se} of its standard errors. Have it checked.",
            gauge=first["gauge_id"],
            by=by,
            se=se,
        )
    return sentence(
        "No: without any one of {n} gauges the loss of all models changes by at most "
        "{by} (gauge {gauge}), {se} of its standard errors.",
        n=n,
        by=by,
        gauge=first["gauge_id"],
        se=se,
    )
