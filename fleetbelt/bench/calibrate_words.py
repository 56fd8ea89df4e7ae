"""A calibration in words, for scripts, and as rows for the records."""

import datetime as dt
from typing import Any, Final

import polars as pl

from fleetbelt.belt.drive import Span
from fleetbelt.bench.calibrate import Calibration
from fleetbelt.bench.spans import in_words
from fleetbelt.units import NEWTONS_PER

RULE_OF_THUMB: Final = 1.10


def calibration_rows(
    readings: pl.DataFrame, *, unit: str, gauge_id: str, day: dt.date
) -> pl.DataFrame:
    """Return the readings as rows for ``calibrations.csv``."""
    per = NEWTONS_PER[unit]
    return readings.select(
        gauge_id=pl.lit(gauge_id),
        date=pl.lit(day),
        span_mm=pl.col("span_mm").round(1),
        reference=(pl.col("reference_n") / per).round(3),
        reading=(pl.col("reading_n") / per).round(3),
        unit=pl.lit(unit),
        run=pl.int_range(1, pl.len() + 1).over("span_mm", "reference_n"),
    )


def calibration_text(found: Calibration) -> str:
    """Return a calibration as text for a terminal."""
    per = NEWTONS_PER[found.unit]
    lines = ["Correction by span: true = shown x correction (95 % interval)"]
    for one in found.spans:
        loads = ", ".join(f"{n / per:.4g}" for n in one.loads_n)
        off = RULE_OF_THUMB / one.correction - 1
        rule = f"{abs(100 * off):.1f} % {'short' if off < 0 else 'too much'}"
        where, limits = in_words(Span(length_mm=one.span_mm)), "({:.4f} to {:.4f})"
        factor = limits.format(one.correction_lo, one.correction_hi)
        ratio = limits.format(one.ratio_lo, one.ratio_hi)
        of = f"{one.n} reading(s) of {loads} {found.unit}"
        off_pct = f"{100 * (one.ratio - 1):+.1f} %"
        lines += [
            f"  {where}: {one.correction:.5f} {factor}",
            f"    the gauge shows {one.ratio:.5f} of the load {ratio}, {off_pct}; {of}",
            f"    the rule of thumb 'add 10 %' would be {rule} here",
        ]
    source = "assumed" if found.df is None else f"{found.df} degrees of freedom"
    sd = f"{100 * found.repeatability:.2f} %"
    lines.append(f"Repeatability of one reading: {sd} ({source})")
    if found.at is not None:
        how = found.at.correction_source.replace("_", " ")
        u = f"standard uncertainty {100 * found.at.u:.2f} %"
        lines.append(
            f"On {in_words(found.at.span)}: {found.at.correction:.5f}, {how}, {u}"
        )
    lines.append("Still needed" if found.needed else "Nothing more is needed.")
    return "\n".join([*lines, *(f"  {need}" for need in found.needed)])


def calibration_json(found: Calibration) -> dict[str, Any]:
    """Return a calibration as an object for scripts."""
    names = (
        "span_mm", "n", "ratio", "ratio_lo", "ratio_hi", "correction", "correction_lo",
        "correction_hi", "repeats_needed",
    )  # fmt: skip
    return {
        "unit": found.unit,
        "spans": [
            {name: getattr(one, name) for name in names}
            | {"add_10_pct_off": RULE_OF_THUMB / one.correction - 1}
            for one in found.spans
        ],
        "repeatability": found.repeatability,
        "df": found.df,
        "at": found.at
        and {
            "span_mm": found.at.span.length_mm,
            "correction": found.at.correction,
            "correction_source": found.at.correction_source,
            "correction_u": found.at.u,
        },
        "needed": list(found.needed),
    }
