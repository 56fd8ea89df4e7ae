"""A gauge held to known loads: its ratios by span, and what is still missing."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl
from scipy.special import ndtri, stdtr, stdtrit

from fleetbelt.belt.drive import Span
from fleetbelt.bench.gauging import NoNumberError
from fleetbelt.bench.spans import in_words, parse_length_mm
from fleetbelt.errors import InputError
from fleetbelt.models.calibration_line import dead_weight_n, fit_line
from fleetbelt.models.gauges import (
    CALIBRATIONS,
    USES,
    GaugeFit,
    corrections,
    fit_gauges,
    log_ratios,
)
from fleetbelt.units import NEWTONS_PER, STANDARD_GRAVITY_M_S2

GAUGE: Final = "the gauge"
KG_PER: Final = {"kg": 1.0, "lb": 0.45359237}
UNLIKELY: Final = 0.05
MOST_REPEATS: Final = 200
_NUMBER: Final = r"\s*(?:\d+(?:\.\d*)?|\.\d+)\s*"
_POINT: Final = re.compile(
    rf"(?P<span>[^:]+):(?P<load>{_NUMBER})(?P<unit>lbf|N|kgf|kg|lb)?\s*:"
    rf"(?P<shown>{_NUMBER}(?:,{_NUMBER})*)"
)
_GRAVITY: Final = (9.76, 9.84)  # over the whole earth, m/s²
_HOW: Final = (
    "write SPAN:LOAD:READING[,READING…], for example 7in:185lbf:167.5,168 "
    "(a load in kg or lb is a mass, and becomes a force with --gravity)."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanResult:
    """What the known loads say on one span.

    Attributes
    ----------
    span_mm : float
    n : int
        Readings.
    loads_n : tuple of float
        Known loads, N.
    ratio, ratio_lo, ratio_hi : float
        Reading over load with its 95 % interval.
    correction, correction_lo, correction_hi : float
        Its inverse.
    repeats_needed : int
        Readings more until the interval is as narrow as wanted.
    p_load : float
        Chance of so large an offset at no load, were the ratio the same at every load;
        NaN where the loads cannot say.
    """

    span_mm: float
    n: int
    loads_n: tuple[float, ...]
    ratio: float
    ratio_lo: float
    ratio_hi: float
    correction: float
    correction_lo: float
    correction_hi: float
    repeats_needed: int
    p_load: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AtSpan:
    """The correction on one span, calibrated or between."""

    span: Span
    correction: float
    correction_source: str
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A gauge held to known loads.

    Attributes
    ----------
    unit : str
        Unit the gauge shows.
    spans : tuple of SpanResult
        The shortest first.
    repeatability : float
        Relative sd of one reading.
    df : int or None
        Its degrees of freedom; None where it is assumed.
    at : AtSpan or None
        The span that was asked for.
    needed : tuple of str
        What is still missing, in words.
    """

    unit: str
    spans: tuple[SpanResult, ...]
    repeatability: float
    df: int | None
    at: AtSpan | None
    needed: tuple[str, ...]


def parse_points(
    points: Sequence[str],
    *,
    unit: str | None = None,
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2,
) -> tuple[pl.DataFrame, str]:
    """Return dead-weight results as readings of known loads, and the gauge's unit.

    Parameters
    ----------
    points : sequence of str
        Each ``SPAN:LOAD:READING[,READING…]``; the readings in the gauge's unit.
    unit : str, optional
        Unit that the gauge shows; that of the first load where it is a force.
    gravity_m_s2 : float
        Local acceleration of free fall, for loads given as masses, m/s².

    Returns
    -------
    tuple of polars.DataFrame and str
        To `fleetbelt.models.gauges.CALIBRATIONS`, in newtons; the unit.

    Raises
    ------
    InputError
        A point cannot be read, the unit is not known, or there is no such gravity.
    """
    if not _GRAVITY[0] <= gravity_m_s2 <= _GRAVITY[1]:
        raise InputError(
            what=f"Nowhere on earth is gravity {gravity_m_s2:g} m/s².",
            where="--gravity",
            fix="give the local value, between 9.76 and 9.84 m/s².",
        )
    parts = [_parts(point) for point in points]
    unit = unit or next((u for _, _, u, _ in parts if u in NEWTONS_PER), None)
    if unit not in NEWTONS_PER:
        raise InputError(
            what="The unit that the gauge shows is not known."
            if unit is None
            else f"A gauge held to known loads does not show {unit}.",
            where="--unit",
            fix="give --unit lbf, N or kgf.",
        )
    rows = [
        (GAUGE, None, span_mm, _newtons(load, load_unit or unit, gravity_m_s2), x, "")
        for span_mm, load, load_unit, shown in parts
        for x in np.array(shown) * NEWTONS_PER[unit]
    ]
    return pl.DataFrame(rows, schema=CALIBRATIONS, orient="row"), unit


def calibrate(
    readings: pl.DataFrame,
    *,
    unit: str,
    span: str | None = None,
    within: float = 0.01,
    default_repeatability: float = 0.01,
) -> Calibration:
    """Return a gauge's ratios and corrections, and what is still missing.

    Parameters
    ----------
    readings : polars.DataFrame
        Of one gauge, to `fleetbelt.models.gauges.CALIBRATIONS`.
    unit : str
        Unit that the gauge shows.
    span : str, optional
        A span to give the correction on, as typed.
    within : float, default 0.01
        Half width wanted of a correction's 95 % interval, relative.
    default_repeatability : float, default 0.01
        Relative sd of one reading where nothing was read twice.

    Returns
    -------
    Calibration
        By `fleetbelt.models.gauges`.

    Raises
    ------
    NoNumberError
        The span asked for lies beyond the calibrated ones.
    """
    fit = fit_gauges(readings, default_repeatability=default_repeatability)
    marked = log_ratios(readings).partition_by("cluster", maintain_order=True)
    rows = fit.curves.iter_rows(named=True)
    spans = tuple(
        _result(row, at_span, within) for row, at_span in zip(rows, marked, strict=True)
    )
    return Calibration(
        unit=unit,
        spans=spans,
        repeatability=fit.curves["repeatability"][0],
        df=fit.curves["df"][0],
        at=_at(fit, span) if span is not None else None,
        needed=tuple(_needed(spans, fit.curves["df"][0], unit, within)),
    )


def _parts(point: str) -> tuple[float, float, str | None, list[float]]:
    """Return a point's span in mm, its load, the load's unit, and its readings."""
    found = _POINT.fullmatch(point)
    length_mm = parse_length_mm(found["span"]) if found else None
    numbers = (
        [float(x) for x in [found["load"], *found["shown"].split(",")]] if found else []
    )
    if found is None or length_mm is None or not min(numbers) > 0:
        raise InputError(
            what=f"'{point}' is no dead-weight result.", where="POINT", fix=_HOW
        )
    return length_mm, numbers[0], found["unit"], numbers[1:]


def _newtons(load: float, unit: str, gravity_m_s2: float) -> float:
    if unit in KG_PER:
        return float(dead_weight_n(load * KG_PER[unit], gravity_m_s2=gravity_m_s2))
    return load * NEWTONS_PER[unit]


def _at(fit: GaugeFit, asked: str) -> AtSpan:
    length_mm = parse_length_mm(asked)
    if length_mm is None:
        raise InputError(
            what=f"'{asked}' is no length.",
            where="--span",
            fix="give a length with its unit, for example 178mm or 7in.",
        )
    use = pl.DataFrame([("", GAUGE, length_mm)], schema=USES, orient="row")
    row = corrections(fit, use).row(0, named=True)
    span = Span(length_mm=length_mm)
    if row["correction_source"] == "beyond_spans":
        known = [in_words(Span(length_mm=mm)) for mm in fit.curves["span_mm"]]
        raise NoNumberError(
            what=f"On {in_words(span)} these loads give no correction: they were read "
            f"on {' and '.join(known)}, and no rule beyond the calibrated spans holds.",
            where="--span",
            fix=f"hang the loads on a span of {in_words(span)} too.",
        )
    return AtSpan(
        span=span,
        correction=row["correction"],
        correction_source=row["correction_source"],
        u=row["u_corr"],
    )


def _result(row: dict[str, Any], readings: pl.DataFrame, within: float) -> SpanResult:
    return SpanResult(
        span_mm=row["span_mm"],
        n=row["n"],
        loads_n=tuple(sorted(set(readings["reference_n"]))),
        ratio=row["ratio"],
        ratio_lo=row["ratio_lo"],
        ratio_hi=row["ratio_hi"],
        correction=row["correction"],
        correction_lo=1 / row["ratio_hi"],
        correction_hi=1 / row["ratio_lo"],
        repeats_needed=_repeats_needed(
            row["repeatability"], n=row["n"], df=row["df"], within=within
        ),
        p_load=_p_load(readings),
    )


def _repeats_needed(sd: float, *, n: int, df: int | None, within: float) -> int:
    """Return how many readings more bring ``t s / sqrt(n)`` within what is wanted."""
    more = np.arange(MOST_REPEATS)
    t = ndtri(0.975) if df is None else stdtrit(df + more, 0.975)
    is_enough = t * sd / np.sqrt(n + more) <= within
    return int(is_enough.argmax()) if is_enough.any() else MOST_REPEATS


def _p_load(readings: pl.DataFrame) -> float:
    """Return the chance of so large an intercept of reading against load."""
    loads, shown = (readings[c].to_numpy() for c in ("reference_n", "reading_n"))
    if len(np.unique(loads)) < 2 or len(loads) < 4:
        return math.nan
    line = fit_line(loads, shown)
    if line.sd <= 1e-9 * shown.max():
        return math.nan
    t = line.coefficients[0] / line.standard_errors[0]
    return float(2 * stdtr(line.df, -abs(t)))


def _needed(
    spans: Sequence[SpanResult], df: int | None, unit: str, within: float
) -> list[str]:
    """Say what is still missing: repeats, loads, spans."""
    found = []
    if df is None:
        found.append(
            "Read each load three times: nothing was read twice, so the repeatability "
            "is assumed."
        )
    for one in spans:
        where = in_words(Span(length_mm=one.span_mm))
        if df is not None and one.repeats_needed:
            found.append(
                f"{one.repeats_needed} reading(s) more on {where}, for a correction "
                f"within {100 * within:g} %."
            )
        if one.p_load < UNLIKELY:
            found.append(
                f"On {where} the ratio changes with the load: one factor is not "
                "enough; use loads near the tension that you set."
            )
    alone = [one for one in spans if len(one.loads_n) == 1]
    if alone:
        load = alone[0].loads_n[0] / NEWTONS_PER[unit]
        found.append(
            f"A second and third load, the lowest and highest tension that you set: "
            f"{load:.4g} {unit} alone does not show whether one factor fits them all."
        )
    if len(spans) == 1:
        found.append("A second span: so far only this one gets a number.")
    elif len(spans) == 2:
        found.append("A third span: two leave the law between them open.")
    return found
