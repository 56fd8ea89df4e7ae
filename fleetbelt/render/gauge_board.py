"""Which gauge needs calibrating and on which span; a card a gauge."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import polars as pl
from markupsafe import Markup

from fleetbelt.models.arrays import FloatArray
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Quantity,
    Section,
    Table,
    missing,
    sentence,
)
from fleetbelt.render.shares import listed

BOARD: Final = "results.gauge_board"
MOST_CARDS: Final = 24
_NEEDS: Final = {
    "first_calibration": "a first calibration",
    "calibration_due": "a calibration now",
    "span": "a calibration on another span",
    "nothing": "nothing",
}
_CHANGES: Final = {
    "constant": "no change shows",
    "linear": "changes evenly",
    "steps": "changed in steps",
}


def board(frames: Frames) -> Section:
    """Say which gauges need calibrating, on which span, and what they left doubtful."""
    question = "Which gauges need calibrating, and on which span?"
    table = frames.get(BOARD)
    if table is None:
        return missing(
            "board", question, "No record names a gauge.",
            "Record gauge_id and span of each reading in services.csv.",
        )  # fmt: skip
    frame = _in_order(table).with_columns(pl.col("shop").fill_null("not given"))
    by = {
        need: frame.filter(pl.col("needs") == need)["gauge_id"].to_list()
        for need in _NEEDS
    }
    return Section(
        key="board",
        question=question,
        answer=sentence(
            "Never calibrated: {first}. Due again: {due}. Used outside calibrated "
            "spans: {span}. Running belts set with a gauge outside its spans, or "
            "while it was found off: {doubtful}.",
            first=listed(by["first_calibration"], "none"),
            due=listed(by["calibration_due"], "none"),
            span=listed(
                frame.filter(pl.col("readings_beyond") > 0)["gauge_id"].to_list(),
                "none",
            ),
            doubtful=int(table["belts_doubtful"].sum()),
        ),
        caveat=sentence(
            "Due: {days} days after the newest calibration (settings, measurement."
            "calibration_days; an assumption), sooner where the gauge drifts by 2 % in "
            "less. A gauge that shows Hz has no such calibration: it rests on the "
            "belt's mass and span.",
            days=round(frames.setting("measurement", "calibration_days", 365)),
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="gauge_id", label="Gauge"),
                Column(name="shop", label="Shop"),
                Column(name="needs", label="Needs", words=_NEEDS),
                Column(name="last_calibration", label="Last done", kind="date"),
                Column(name="next_calibration", label="Due", kind="date"),
                Column(name="change", label="Over time", words=_CHANGES),
                Column(name="change_pct", label="Change", kind="percent", digits=1),
                Column(name="readings", label="Readings", kind="count"),
                Column(name="readings_since", label="Since then", kind="count"),
                Column(name="readings_beyond", label="Outside its spans",
                       kind="count"),
                Column(name="wanted_span_mm", label="Span wanted", kind="span"),
                Column(name="wanted_readings", label="Readings there", kind="count"),
                Column(name="belts_set", label="Belts set with it", kind="count"),
                Column(name="belts_doubtful", label="Of these doubtful",
                       kind="count"),
            ),
            selects=("shop",),
            is_open=True,
        ),
        method="method-correction",
    )  # fmt: skip


def _in_order(table: pl.DataFrame) -> pl.DataFrame:
    """Return those that need something first, the most used first among them."""
    order = {need: place for place, need in enumerate(_NEEDS)}
    return (
        table.with_columns(
            place=pl.col("needs").replace_strict(
                order, default=len(order), return_dtype=pl.Int64
            )
        )
        .sort(["place", "readings", "gauge_id"], descending=[False, True, False])
        .drop("place")
    )


def cards(frames: Frames) -> list[dict[str, Any]]:
    """Return a card for each calibrated gauge: its curve, band, points and dates."""
    table, lines = frames.get(BOARD), frames.get("fitted.gauge_lines")
    if table is None or lines is None:
        return []
    drawn = _in_order(table).join(lines.select("gauge_id").unique(), on="gauge_id",
                                  how="semi", maintain_order="left")  # fmt: skip
    low, high = (lines[name].to_numpy() for name in ("ratio_lo", "ratio_hi"))
    scale = _Scale.of(lines["span_mm"].to_numpy(), low, high)
    return [
        _card(row, lines.filter(gauge_id=row["gauge_id"]).sort("span_mm"), scale)
        for row in drawn.head(MOST_CARDS).iter_rows(named=True)
    ]


def _card(
    row: Mapping[str, Any], line: pl.DataFrame, scale: "_Scale"
) -> dict[str, Any]:
    change = _CHANGES.get(row["change"], row["change"])
    said = sentence(
        "last calibrated {last}, due {next}{change}",
        last=str(row["last_calibration"]),
        next=str(row["next_calibration"]),
        change=f"; {change}" if change else "",
    )
    if row["wanted_readings"]:
        said += sentence(
            "; {n} readings near {span} have no calibration",
            n=row["wanted_readings"],
            span=Quantity(value=row["wanted_span_mm"], kind="span"),
        )
    return {
        "gauge_id": row["gauge_id"],
        "shop": row["shop"] or "",
        "needs": _NEEDS.get(row["needs"], row["needs"]),
        "said": said,
        "svg": scale.svg(row["gauge_id"], line),
    }


_WIDTH, _HEIGHT = 240.0, 150.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 26.0, 8.0, 26.0
_TEXT: Final = Markup('<text x="{x:.1f}" y="{y:.1f}" text-anchor="{at}">{word}</text>')
_SPAN: Final = Markup(
    '<tspan data-kind="span" value="{0}" data-digits="0">{0} mm</tspan>'
)


class _Scale:
    """One scale for all cards, so that they can be compared at a glance."""

    def __init__(self, spans: tuple[float, float], ratios: tuple[float, float]) -> None:
        self.spans, self.ratios = spans, ratios

    @classmethod
    def of(cls, span_mm: FloatArray, low: FloatArray, high: FloatArray) -> "_Scale":
        bottom, top = min(float(low.min()), 0.98), max(float(high.max()), 1.02)
        room = max(float(np.ptp(span_mm)) * 0.05, 5.0)
        return cls(
            (float(span_mm.min()) - room, float(span_mm.max()) + room), (bottom, top)
        )

    def x(self, span_mm: float) -> float:
        low, high = self.spans
        return _LEFT + (span_mm - low) / (high - low) * (_WIDTH - _LEFT - _RIGHT)

    def y(self, ratio: float) -> float:
        low, high = self.ratios
        return _TOP + (high - ratio) / (high - low) * (_HEIGHT - _TOP - _BOTTOM)

    def svg(self, gauge_id: str, line: pl.DataFrame) -> Markup:
        """Return curve, band and points of a gauge, in the colour of the text."""
        spans, ratio, low, high = (
            line[name].to_list()
            for name in ("span_mm", "ratio", "ratio_lo", "ratio_hi")
        )
        known = line.filter("is_calibrated")
        points = list(zip(known["span_mm"], known["ratio"], strict=True))
        edge = [*zip(spans, high, strict=True),
                *zip(spans[::-1], low[::-1], strict=True)]  # fmt: skip
        ticks = sorted({round(min(known["span_mm"])), round(max(known["span_mm"]))})
        words = "; ".join(f"{r:.3f} at {s:.0f} mm" for s, r in points)
        parts = [
            self._path(edge, 'fill="currentColor" fill-opacity="0.16" stroke="none"'),
            self._path([(self.spans[0], 1.0), (self.spans[1], 1.0)],
                       'stroke="currentColor" stroke-dasharray="4 3" fill="none"'),
            self._path(list(zip(spans, ratio, strict=True)),
                       'stroke="currentColor" stroke-width="2" fill="none"'),
            *(Markup('<circle cx="{:.1f}" cy="{:.1f}" r="3.2"/>').format(
                self.x(s), self.y(r)) for s, r in points),
            *(_TEXT.format(x=self.x(s), y=_HEIGHT - 8, at="middle",
                           word=_SPAN.format(s)) for s in ticks),
            *(_TEXT.format(x=_LEFT - 4, y=self.y(r) + 4, at="end", word=f"{r:.2f}")
              for r in (1.0, *self._ends())),
        ]  # fmt: skip
        return Markup(
            '<svg viewBox="0 0 {} {}" role="img" aria-label="Gauge {}, reading over '
            'load: {}" font-size="11" fill="currentColor">{}</svg>'
        ).format(
            f"{_WIDTH:.0f}", f"{_HEIGHT:.0f}", gauge_id, words, Markup("").join(parts)
        )

    def _ends(self) -> list[float]:
        """Return the scale's ends, where they keep clear of the line at 1."""
        return [r for r in self.ratios if abs(self.y(r) - self.y(1.0)) > 14]

    def _path(self, points: list[tuple[float, float]], style: str) -> Markup:
        steps = " L".join(f"{self.x(s):.1f} {self.y(r):.1f}" for s, r in points)
        return Markup('<path d="M{}" {}/>').format(steps, Markup(style))  # noqa: S704
