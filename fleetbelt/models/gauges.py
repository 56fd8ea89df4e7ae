"""From what a gauge shows to what the belt has: ratios by span, and corrections."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtri, stdtrit

from fleetbelt.errors import FitError, StoreError
from fleetbelt.models.arrays import FloatArray

SPAN_TOLERANCE_MM: Final = 1.0  # spans this near to each other are one span
GUESS_GAUGES: Final = 2.0  # gauges that a guess is worth (common practice, no source)
NO_SPREAD: Final = 1e-9  # repeats that agree this well only show the gauge's step

CALIBRATIONS: Final = pl.Schema(
    {
        "gauge_id": pl.String(),
        "date": pl.Date(),
        "span_mm": pl.Float64(),  # free span the known load was read on, mm
        "reference_n": pl.Float64(),  # the known load, N, above 0
        "reading_n": pl.Float64(),  # what the gauge showed, N, above 0
        "technician_id": pl.String(),  # who read it, or null
    }
)
GAUGE_CURVES: Final = pl.Schema(
    {
        "gauge_id": pl.String(),
        "span_mm": pl.Float64(),  # a calibrated span, mm
        "n": pl.Int64(),  # readings at it
        "ratio": pl.Float64(),  # geometric mean of reading / reference
        "ratio_lo": pl.Float64(),  # 95 % interval
        "ratio_hi": pl.Float64(),
        "correction": pl.Float64(),  # 1 / ratio
        "repeatability": pl.Float64(),  # relative sd of one reading of this gauge
        "log_ratio": pl.Float64(),
        "u_log_ratio": pl.Float64(),  # its standard uncertainty
        "df": pl.Int64(),  # degrees of freedom of the repeatability, null = assumed
        "last_date": pl.Date(),  # newest calibration at this span
    }
)
GAUGE_NOTES: Final = pl.Schema(
    {"gauge_id": pl.String(), "code": pl.String(), "detail": pl.String()}
)
USES: Final = pl.Schema(
    {
        "shop": pl.String(),
        "gauge_id": pl.String(),  # null = not recorded
        "span_mm": pl.Float64(),  # span the belt was read on, mm, null = not recorded
    }
)
CORRECTIONS: Final = pl.Schema(
    {
        "log_correction": pl.Float64(),  # log of the factor on the reading
        "correction": pl.Float64(),  # that factor
        "u_corr": pl.Float64(),  # standard uncertainty of log_correction
        "correction_source": pl.String(),  # a code word of the contract
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFit:
    """What the calibrations say about each gauge.

    Attributes
    ----------
    curves : polars.DataFrame
        One row per gauge and calibrated span, to `GAUGE_CURVES`.
    notes : polars.DataFrame
        One row per gauge whose own repeats say nothing (``no_repeats``), to
        `GAUGE_NOTES`.
    """

    curves: pl.DataFrame
    notes: pl.DataFrame


def fit_gauges(
    calibrations: pl.DataFrame, *, default_repeatability: float = 0.01
) -> GaugeFit:
    """Return each gauge's ratio of reading to known load, by calibrated span.

    Parameters
    ----------
    calibrations : polars.DataFrame
        One row per reading of a known load, to `CALIBRATIONS`.
    default_repeatability : float, default 0.01
        Relative sd of one reading where no gauge has repeats.

    Returns
    -------
    GaugeFit
        The ratios with their uncertainty, and what had to be assumed.

    Raises
    ------
    StoreError
        If the frame lacks a column or holds another type.
    FitError
        If a span, load or reading is missing or not above 0.

    Notes
    -----
    Over a gauge's spans ``s**2 = sum((log ratio - its span's mean)**2) / sum(n - 1)``;
    at a span of n readings ``u = s / sqrt(n)`` and the interval is Student's. A gauge
    without repeats borrows s from all gauges, else the default with a normal interval.
    Spans of one gauge that follow each other within 1 mm are one span, their median.
    """
    spans = _spans(log_ratios(calibrations))
    pooled = pl.col("ss", "df").sum()
    gauges = (
        spans.group_by("gauge_id", maintain_order=True)
        .agg(pooled)
        .with_columns(has_repeats=_mean_square() > NO_SPREAD**2)
    )
    fleet = gauges.filter("has_repeats").select(pooled).with_columns(_mean_square())
    variance, df = (
        (fleet["mean_square"][0], fleet["df"][0])
        if fleet["df"][0] > 0
        else (default_repeatability**2, None)
    )
    repeatability = gauges.select(
        "gauge_id",
        repeatability=pl.when("has_repeats")
        .then(_mean_square())
        .otherwise(variance)
        .sqrt(),
        df=pl.when("has_repeats").then("df").otherwise(df),
    )
    assumed = gauges.filter(~pl.col("has_repeats")).select(
        "gauge_id", code=pl.lit("no_repeats"), detail=pl.lit(_assumed_text(df))
    )
    curves = spans.drop("ss", "df").join(repeatability, on="gauge_id", how="left")
    return GaugeFit(
        curves=_with_intervals(curves).select(GAUGE_CURVES.names()).cast(GAUGE_CURVES),
        notes=assumed.cast(GAUGE_NOTES),
    )


def corrections(
    fit: GaugeFit,
    uses: pl.DataFrame,
    *,
    homes: pl.DataFrame | None = None,
    uncalibrated_u: float = 0.08,
) -> pl.DataFrame:
    """Return the factor that turns a reading into tension, for each way of reading.

    Parameters
    ----------
    fit : GaugeFit
        What the calibrations say.
    uses : polars.DataFrame
        One row per distinct shop, gauge and span, to `USES`; more columns may follow.
    homes : polars.DataFrame, optional
        Columns ``shop`` and ``gauge_id``: gauges kept in a shop beside those that
        ``uses`` shows there.
    uncalibrated_u : float, default 0.08
        Relative standard uncertainty of a reading where no gauge was ever calibrated.

    Returns
    -------
    polars.DataFrame
        ``uses`` in its order with the columns of `CORRECTIONS`.

    Raises
    ------
    StoreError
        If a frame lacks a column or holds another type.

    Notes
    -----
    With y = log ratio at a gauge's calibrated spans and L the span:

    - within 1 mm of a calibrated span, that span's y (``calibrated``);
    - between: a monotone cubic [1]_ through y against 1/L; variance = that of the knots
      carried through it by differences of one u each way [2]_, + (largest difference
      between it, straight in L and straight in 1/L)**2 / 3 (``between_spans``);
    - beyond: the nearest span's y, with u = hypot(y, its own u) (``beyond_spans``);
    - span not recorded: the mean of y, with the sd of y over the spans as u; a gauge
      with one span has no spread and counts as beyond (``pooled``);
    - gauge not recorded or never calibrated: factor 1, with the root mean square of y
      over the shop's gauges as u, joined by that over all gauges, and that by the
      default, each worth two gauges: one good gauge says little of another
      (``pooled``); without any calibration the default (``none``).

    References
    ----------
    .. [1] Fritsch, F. N. and Butland, J. (1984), *SIAM J. Sci. Stat. Comput.* 5,
       300-304.
    .. [2] JCGM 100:2008, 5.1.3, note 2.
    """
    keyed = checked_frame(uses, USES, "the uses of gauges").with_row_index()
    by_gauge = keyed.partition_by("gauge_id", as_dict=True)
    frames = [_unknown_gauge(fit, keyed, homes, uncalibrated_u)]
    for gauge, curve in fit.curves.group_by("gauge_id", maintain_order=True):
        if gauge in by_gauge:
            frames.append(_at_spans(curve, by_gauge[gauge]))
    found = pl.concat(frames).sort("index")
    return uses.hstack(
        found.select(
            log_correction=0.0 - pl.col("log_ratio"),
            correction=(0.0 - pl.col("log_ratio")).exp(),
            u_corr="u_corr",
            correction_source="correction_source",
        ).cast(CORRECTIONS)
    )


def log_ratios(calibrations: pl.DataFrame) -> pl.DataFrame:
    """Return the calibrations with their log ratio and calibrated span's number.

    Parameters
    ----------
    calibrations : polars.DataFrame
        One row per reading of a known load, to `CALIBRATIONS`.

    Returns
    -------
    polars.DataFrame
        Sorted, so that the order of rows is of no matter; with ``log_ratio``, that of
        reading / reference, and ``cluster``, which counts a gauge's calibrated spans.

    Raises
    ------
    StoreError
        If the frame lacks a column or holds another type.
    FitError
        If a span, load or reading is missing or not above 0.
    """
    frame = checked_frame(calibrations, CALIBRATIONS, "the calibrations")
    measured = pl.col("span_mm", "reference_n", "reading_n").fill_nan(None)
    bad = frame.filter(~pl.all_horizontal(measured.gt(0).fill_null(value=False)))
    if bad.height:
        raise FitError(
            what=f"{bad.height} calibrations have no span, load or reading above 0.",
            where=f"the calibrations, first: {bad.row(0, named=True)}",
            fix="quarantine these rows before the fit.",
        )
    is_new = pl.col("span_mm").diff().over("gauge_id") > SPAN_TOLERANCE_MM
    return frame.sort("gauge_id", "span_mm", "reference_n", "reading_n").with_columns(
        log_ratio=(pl.col("reading_n") / pl.col("reference_n")).log(),
        cluster=is_new.fill_null(value=False).cum_sum().over("gauge_id"),
    )


def checked_frame(frame: pl.DataFrame, schema: pl.Schema, where: str) -> pl.DataFrame:
    """Return the schema's columns of a frame, cast to its types.

    Parameters
    ----------
    frame : polars.DataFrame
        Frame at a model's door; more columns may be there.
    schema : polars.Schema
        Columns and types that the model works with.
    where : str
        What the frame is, for the message.

    Returns
    -------
    polars.DataFrame
        Exactly the schema's columns, in its order.

    Raises
    ------
    StoreError
        If a column is missing or holds what its type cannot.
    """
    try:
        return frame.select(schema.names()).cast(schema)
    except pl.exceptions.PolarsError as error:
        raise StoreError(
            what=f"A frame is not what the model expects: {error}",
            where=f"{where}, which has: {frame.schema}",
            fix=f"give it the columns {', '.join(schema.names())} with their types.",
        ) from error


def _spans(frame: pl.DataFrame) -> pl.DataFrame:
    """One row per gauge and calibrated span, in order."""
    deviation = pl.col("log_ratio") - pl.col("log_ratio").mean()
    return frame.group_by("gauge_id", "cluster", maintain_order=True).agg(
        pl.col("span_mm").median(),
        pl.len().alias("n"),
        pl.col("log_ratio").mean(),
        ss=(deviation**2).sum(),
        df=pl.len().cast(pl.Int64) - 1,
        last_date=pl.col("date").max(),
    )


def _mean_square() -> pl.Expr:
    """Mean square of the repeats, 0 where there are none."""
    return (pl.col("ss") / pl.max_horizontal("df", pl.lit(1))).alias("mean_square")


def _assumed_text(df: int | None) -> str:
    source = "the setting" if df is None else "all gauges together"
    return f"no repeats that differ, so the repeatability is that of {source}"


def _with_intervals(curves: pl.DataFrame) -> pl.DataFrame:
    df = curves["df"].cast(pl.Float64).to_numpy()
    t = np.where(np.isnan(df), ndtri(0.975), stdtrit(df, 0.975))
    half = pl.Series(t) * pl.col("u_log_ratio")
    return curves.with_columns(
        u_log_ratio=pl.col("repeatability") / pl.col("n").sqrt()
    ).with_columns(
        ratio=pl.col("log_ratio").exp(),
        ratio_lo=(pl.col("log_ratio") - half).exp(),
        ratio_hi=(pl.col("log_ratio") + half).exp(),
        correction=(-pl.col("log_ratio")).exp(),
    )


def _unknown_gauge(
    fit: GaugeFit,
    keyed: pl.DataFrame,
    homes: pl.DataFrame | None,
    uncalibrated_u: float,
) -> pl.DataFrame:
    """Rate uses of no known gauge: factor 1, as unsure as the shop's gauges err."""
    kept = keyed.select("shop", "gauge_id")
    if homes is not None:
        kept = pl.concat([kept, homes.select("shop", "gauge_id")])
    off = (
        fit.curves.sort("gauge_id", "span_mm")
        .group_by("gauge_id", maintain_order=True)
        .agg(square=(pl.col("log_ratio") ** 2).mean())
    )
    guess, n_gauges = GUESS_GAUGES * uncalibrated_u**2, off.height
    total = float(off["square"].sum())
    square = (total + guess) / (n_gauges + GUESS_GAUGES)
    shops = pl.col("square").sum() + GUESS_GAUGES * square
    by_shop = (
        kept.unique()
        .join(off, on="gauge_id")
        .sort("shop", "gauge_id")
        .group_by("shop", maintain_order=True)
        .agg(shop_u=(shops / (pl.len() + GUESS_GAUGES)).sqrt())
    )
    return (
        keyed.join(fit.curves.select("gauge_id").unique(), on="gauge_id", how="anti")
        .join(by_shop, on="shop", how="left")
        .select(
            "index",
            log_ratio=pl.lit(0.0),
            u_corr=pl.coalesce("shop_u", pl.lit(square**0.5)),
            correction_source=pl.lit("pooled" if n_gauges else "none"),
        )
    )


def _at_spans(curve: pl.DataFrame, uses: pl.DataFrame) -> pl.DataFrame:
    """Log ratio, its uncertainty and source at each span used, for one gauge."""
    knot_mm, y, u = (
        curve[c].to_numpy() for c in ("span_mm", "log_ratio", "u_log_ratio")
    )
    span_mm = uses["span_mm"].to_numpy()
    distance_mm = np.abs(span_mm[:, None] - knot_mm)
    nearest = distance_mm.argmin(axis=1)
    conditions = [
        np.isnan(span_mm),
        distance_mm.min(axis=1) <= SPAN_TOLERANCE_MM + 1e-9,
        (knot_mm[0] < span_mm) & (span_mm < knot_mm[-1]),
    ]
    between_y, between_u = _between(knot_mm, y, u, span_mm)
    own_y, own_u = y[nearest], u[nearest]
    spread = y.std(ddof=1) if len(y) > 1 else np.hypot(y[0], u[0])
    return pl.DataFrame(
        {
            "index": uses["index"],
            "log_ratio": np.select(conditions, [y.mean(), own_y, between_y], own_y),
            "u_corr": np.select(
                conditions, [spread, own_u, between_u], np.hypot(own_y, own_u)
            ),
            "correction_source": np.select(
                conditions, ["pooled", "calibrated", "between_spans"], "beyond_spans"
            ),
        }
    )


def _between(
    knot_mm: FloatArray, y: FloatArray, u: FloatArray, span_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Interpolated log ratio and its uncertainty; beyond the knots of no use."""
    if len(y) == 1:
        return np.full_like(span_mm, y[0]), np.full_like(span_mm, u[0])
    x, at = 1 / knot_mm[::-1], 1 / np.clip(span_mm, knot_mm[0], knot_mm[-1])
    steps = np.diag(u)
    knots = np.vstack([y, y + steps, y - steps])[:, ::-1]
    curves = PchipInterpolator(x, knots, axis=1)(at)
    curve, up, down = curves[0], *np.split(curves[1:], 2)
    lines = np.stack([curve, np.interp(at, x, y[::-1]), np.interp(span_mm, knot_mm, y)])
    model = np.ptp(lines, axis=0) ** 2 / 3
    return curve, np.sqrt((((up - down) / 2) ** 2).sum(axis=0) + model)
