"""How a gauge of the shop reads a span, and when it may not give a number."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl

from fleetbelt.belt.drive import Drive, Span
from fleetbelt.bench.records import Records
from fleetbelt.bench.spans import in_words
from fleetbelt.bench.target import Repeatability, Scale, force_scale, frequency_scale
from fleetbelt.errors import InputError
from fleetbelt.models.gauges import USES, corrections
from fleetbelt.units import NEWTONS_PER

LOADS: Final = 3  # lowest, middle and highest of the ranges
LEAST_REPEATS: Final = 3
SMALL_SHARE: Final = 1 / 4  # of a reading's own error that a correction may add


class NoNumberError(InputError):
    """The gauge may not give a number on this span of this drive."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """A gauge of the shop.

    Attributes
    ----------
    gauge_id, unit, shop : str
        ``shop`` is empty where it is not known.
    step : float or None
        Smallest step it shows, in its unit.
    """

    gauge_id: str
    unit: str
    shop: str
    step: float | None

    @property
    def digits(self) -> int:
        """Return the decimals that its step has; without one, those of its unit."""
        if self.step is None:
            return 0 if self.unit == "N" else 1
        shown = f"{self.step:f}".rstrip("0")
        return min(3, len(shown.partition(".")[2]))


def find_gauge(records: Records, gauge_id: str) -> Gauge:
    """Return a gauge of the records.

    Raises
    ------
    InputError
        No record names it, or its unit is nowhere recorded.
    """
    own = records.gauges.filter(gauge_id=gauge_id)
    unit = records.units.filter(gauge_id=gauge_id)["unit"]
    uses = records.uses.filter(gauge_id=gauge_id)
    if own.is_empty() and unit.is_empty() and uses.is_empty():
        known = ", ".join(sorted(set(records.units["gauge_id"])))
        raise InputError(
            what=f"No record names a gauge '{gauge_id}'.",
            where=f"--gauge; the records name: {known or 'none'}",
            fix="give one of these, or add the gauge to gauges.csv.",
        )
    if unit.is_empty():
        raise InputError(
            what=f"The unit that gauge {gauge_id} shows is not recorded.",
            where="gauges.csv, column unit",
            fix="write its unit there: lbf, N, kgf or Hz.",
        )
    shops = [*own["shop"].drop_nulls(), *sorted(uses["shop"].drop_nulls())]
    return Gauge(
        gauge_id=gauge_id,
        unit=unit[0],
        shop=shops[0] if shops else "",
        step=own["resolution"][0] if own.height else None,
    )


def gauges_of_shop(records: Records, shop: str) -> list[Gauge]:
    """Return the gauges kept in a shop whose unit is known."""
    kept = records.gauges.filter(shop=shop).join(records.units, on="gauge_id")
    return [find_gauge(records, gauge_id) for gauge_id in sorted(kept["gauge_id"])]


def scales(
    records: Records,
    pairs: Sequence[tuple[Gauge, Span]],
    *,
    mass_g_per_m: float | None,
) -> list[Scale | None]:
    """Return how each gauge reads each span; None where it may give no number.

    Parameters
    ----------
    records : Records
        The calibrations, and what a reading is worth.
    pairs : sequence of (Gauge, Span)
        Which gauge on which span.
    mass_g_per_m : float or None
        Mass of the belt, for gauges that show a frequency, g/m.

    Returns
    -------
    list of Scale or None
        In the order of the pairs. None: beyond the calibrated spans, or a frequency
        without the belt's mass.
    """
    homes = pl.concat(
        [frame.select("shop", "gauge_id") for frame in (records.gauges, records.uses)]
    ).drop_nulls()
    found = corrections(
        records.fit,
        pl.DataFrame(
            [(gauge.shop, gauge.gauge_id, span.length_mm) for gauge, span in pairs],
            schema=USES,
            orient="row",
        ),
        homes=homes,
        uncalibrated_u=records.rules.uncalibrated_u,
    )
    rows = zip(pairs, found.iter_rows(named=True), strict=True)
    return [
        _scale(records, gauge, span, row, mass_g_per_m) for (gauge, span), row in rows
    ]


def _scale(
    records: Records,
    gauge: Gauge,
    span: Span,
    row: Mapping[str, Any],
    mass_g_per_m: float | None,
) -> Scale | None:
    if gauge.unit == "Hz":
        if mass_g_per_m is None:
            return None
        return frequency_scale(
            span_mm=span.length_mm, mass_g_per_m=mass_g_per_m, rules=records.rules
        )
    if row["correction_source"] == "beyond_spans":
        return None
    return force_scale(
        gauge.unit,
        correction=row["correction"],
        correction_source=row["correction_source"],
        u_corr=row["u_corr"],
        reading_sd=records.reading_sd,
    )


def repeatability(records: Records, gauge: Gauge) -> Repeatability:
    """Return how far readings of one belt by this gauge should scatter.

    Its own calibration where it has one, else what one field reading is worth.
    """
    if gauge.unit == "Hz":
        return Repeatability(sd=records.rules.vibration_frequency_u, step=gauge.step)
    own = records.fit.curves.filter(gauge_id=gauge.gauge_id)
    if own.is_empty():
        return Repeatability(sd=records.reading_sd, step=gauge.step)
    df = own["df"][0]
    return Repeatability(
        sd=own["repeatability"][0],
        df=math.inf if df is None else float(df),
        step=gauge.step,
    )


def no_number(
    records: Records,
    gauge: Gauge,
    span: Span,
    drive: Drive,
    *,
    drive_id: str,
    limits_n: Sequence[float],
) -> NoNumberError:
    """Return the refusal of a number: what is missing and how to get it.

    Parameters
    ----------
    records : Records
        The calibrations.
    gauge, span, drive
        What was asked for.
    drive_id : str
        Name of the drive.
    limits_n : sequence of float
        Limits of the drive's published ranges, N.

    Returns
    -------
    NoNumberError
        To raise.
    """
    if gauge.unit == "Hz":
        return NoNumberError(
            what=f"Gauge {gauge.gauge_id} shows Hz, and the mass of the belt of drive "
            f"{drive_id} is not recorded.",
            where="drives.csv, column belt_mass_g_per_m",
            fix="weigh a belt of this drive, divide its mass in g by its length in m, "
            "and write the result there; or use a gauge that shows a force.",
        )
    knots_mm = records.fit.curves.filter(gauge_id=gauge.gauge_id)["span_mm"].to_list()
    first, last = (in_words(Span(length_mm=mm)) for mm in (knots_mm[0], knots_mm[-1]))
    covered = first if len(knots_mm) == 1 else f"{first} to {last}"
    inside = [s for s in drive.reached if knots_mm[0] <= s.length_mm <= knots_mm[-1]]
    other = f"; or measure on {in_words(inside[0])}" if inside else ""
    return NoNumberError(
        what=f"Gauge {gauge.gauge_id} was calibrated on {covered}; on "
        f"{in_words(span)} it gives no number, because no rule for other spans holds.",
        where=f"--span, gauge {gauge.gauge_id}",
        fix=f"{calibration_to_make(records, gauge, span, limits_n)}{other}.",
    )


def calibration_to_make(
    records: Records, gauge: Gauge, span: Span, limits_n: Sequence[float]
) -> str:
    """Say which calibration gives the gauge a number on a span.

    As many readings as bring the correction's standard uncertainty ``s / sqrt(n)`` to
    a quarter of a field reading's own error, so that it adds 3 % to it.
    """
    spread = repeatability(records, gauge).sd
    wanted = SMALL_SHARE * records.reading_sd
    repeats = max(LEAST_REPEATS, math.ceil((spread / wanted) ** 2 / LOADS))
    loads = "loads that bracket the tensions you set"
    if limits_n:
        shown = np.array([min(limits_n), max(limits_n)]) / NEWTONS_PER[gauge.unit]
        loads = (
            f"{LOADS} known loads from {_whole(shown[0], math.floor)} to "
            f"{_whole(shown[1], math.ceil)} {gauge.unit}"
        )
    return (
        f"calibrate it on a span of {in_words(Span(length_mm=span.length_mm))} with "
        f"{loads}, {repeats} readings of each, which brings the correction to "
        f"{100 * spread / math.sqrt(LOADS * repeats):.1f} %, and add them to "
        "calibrations.csv"
    )


def _whole(load: float, towards: Any) -> int:  # noqa: ANN401 (math.floor or math.ceil)
    """Return a load rounded to two figures, outward."""
    step = 10 ** max(0, math.floor(math.log10(load)) - 1)
    return int(towards(load / step) * step)
