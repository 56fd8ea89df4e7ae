"""What technicians do with the belts they find, and what is heard of their work."""

from typing import Final

import polars as pl

from fleetbelt.render import words
from fleetbelt.render.figures import (
    PLACES,
    Figure,
    axis,
    figure,
    interval_dots,
    marks,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.people import FEW, is_calibrated, too_few
from fleetbelt.render.section import (
    Column,
    Quantity,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    sentence,
)
from fleetbelt.render.shares import listed

_HOW_READ: Final = (
    "Record technician_id, reading_found and reading_left of each retension in "
    "services.csv."
)
_WHO: Final = (
    Column(name="technician_id", label="Technician"),
    Column(name="name", is_shown=False),
)


def retensions(frames: Frames) -> Section:
    """Show per technician where belts were found, where left, and what was moved."""
    question = "Where does each technician find belts, and where leave them?"
    table = frames.get("results.technician_retensions")
    people = None if table is None else _with(table, "retensions")
    if table is None or people is None:
        what = f"No technician has {FEW} retensions read before and after."
        return missing("before-after", question, what, _HOW_READ)
    sums = table.select(pl.exclude("technician_id").sum()).row(0, named=True)
    return Section(
        key="before-after",
        question=question,
        answer=_stayed(sums),
        caveat=sentence(
            "{gauge} Setting a belt again that was found in range can be a shop's "
            "rule. Medians; dotted: the range.{few}",
            gauge="True tensions, corrected by the gauge; what it showed may have been "
            "in range."
            if is_calibrated(frames)
            else "No gauge is calibrated: tensions are as the gauge showed them.",
            few=too_few(table, "retensions", "retensions"),
        ),
        figure=_places(people.height),
        table=Table(
            frame=people,
            columns=(
                *_WHO,
                Column(name="retensions", label="Retensions", kind="count"),
                Column(name="found_place", label="Found (0 = minimum, 1 = maximum)",
                       kind="number", digits=2),
                Column(name="left_place", label="Left", kind="number", digits=2),
                Column(name="found_under", label="Found under", kind="count"),
                *interval_columns("stayed_under_share", "stayed_under_lo",
                                  "stayed_under_hi", label="Of these left under",
                                  kind="share"),
                Column(name="seen_in_range", label="Found in range", kind="count"),
                *interval_columns("moved_in_range_share", "moved_in_range_lo",
                                  "moved_in_range_hi", label="Of these set again",
                                  kind="share"),
                Column(name="median_minutes", label="Minutes, median", kind="number",
                       digits=0),
                Column(name="timed", label="Timed", kind="count"),
            ),
        ),
        method="method-people",
    )  # fmt: skip


def _with(table: pl.DataFrame, of: str) -> pl.DataFrame | None:
    """Return those with enough to compare, by name."""
    kept = table.filter(pl.col(of) >= FEW).sort("technician_id")
    return None if kept.is_empty() else kept.with_columns(name=pl.col("technician_id"))


def _stayed(sums: dict[str, int]) -> Sentence:
    said = sentence(
        "Of {found} belts found under their range {stayed} were left under it still.",
        found=sums["found_under"],
        stayed=_part(sums["stayed_under"], sums["found_under"]),
    )
    if not sums["seen_in_range"]:
        return said
    return said + sentence(
        " Of {seen} found in range {moved} were set all the same.",
        seen=sums["seen_in_range"],
        moved=_part(sums["moved_in_range"], sums["seen_in_range"]),
    )


def _part(k: int, n: int) -> Sentence:
    share = Quantity(value=k / max(n, 1), kind="share")
    return sentence("{k} ({share})", k=k, share=share)


def _places(rows: int) -> Figure:
    shown = max(1, min(rows, 40))
    found = marks("found_place", name="found", symbol="circle-open", colour="@warn")
    left = marks("left_place", name="left", symbol="circle", colour="@main")
    limits = [
        {
            "type": "line", "x0": x, "x1": x, "yref": "paper", "y0": 0, "y1": 1,
            "layer": "below", "line": {"color": "@soft", "width": 1.5, "dash": "dot"},
        }
        for x in (0.0, 1.0)
    ]  # fmt: skip
    return figure(
        [found, left],
        x=axis("Place in the range", **PLACES),
        y={"tickvals": "$#", "ticktext": "$name", "range": [shown - 0.5, -0.5],
           "zeroline": False},
        height=110 + 30 * shown,
        shapes=limits,
    )  # fmt: skip


def _heard(n: int, fewer: list[str], more: list[str]) -> Sentence:
    words_ = "complaint was" if n == 1 else "complaints were"
    said = sentence(
        "{n} {words} heard within {miles} of somebody's work. ",
        n=n, words=words_, miles=Quantity(value=5_000.0, kind="distance"),
    )  # fmt: skip
    if not fewer and not more:
        return (
            *said,
            "Nobody's work is clearly followed by more, or by fewer, than expected.",
        )
    return said + sentence(
        "More than expected followed the work of {more}, fewer that of {fewer}.",
        more=listed(more, "nobody"),
        fewer=listed(fewer, "nobody"),
    )


def complaints(frames: Frames) -> Section:
    """Show complaints in the first miles after each technician's work."""
    question = "After whose work are more complaints heard than expected?"
    table = frames.get("results.technician_complaints")
    if table is None or not table["complaints"].sum():
        what = "No complaint was recorded within 5,000 mi of anyone's work."
        how = "Record complaints with date, vehicle and odometer in complaints.csv."
        return missing("complaints-after", question, what, how)
    judged = table.filter(pl.col("standing") != "too_few").sort("technician_id")
    fewer, more = (
        judged.filter(pl.col("standing") == word)["technician_id"].to_list()
        for word in ("fewer", "more")
    )
    few = table.filter(pl.col("standing") == "too_few")["technician_id"].to_list()
    drawn = judged if judged.height else table.sort("technician_id")
    frame = drawn.drop_nulls("ratio").with_columns(
        name=pl.col("technician_id"), whole=pl.lit(1.0)
    )
    return Section(
        key="complaints-after",
        question=question,
        answer=_heard(int(table["complaints"].sum()), fewer, more),
        caveat=sentence(
            "Miles end at the next work on the belt. Expected: what the same miles "
            "bring on the same models after anyone's work. Ratios are drawn towards 1 "
            "where little is known{all}. Complaints have many causes besides a setting."
            "{few}",
            all=", here all the way: they differ no more than chance makes them"
            if (frame["ratio"] - 1).abs().max() == 0
            else "",
            few=f" Too little expected yet to judge: {listed(few, '')}." if few else "",
        ),
        figure=interval_dots(
            value="ratio", lo="ratio_lo", hi="ratio_hi", rows=frame.height,
            title="Complaints heard / expected", rangemode="tozero",
        ) if frame.height else None,
        table=Table(
            frame=frame,
            columns=(
                *_WHO,
                Column(name="works", label="Settings and fittings", kind="count"),
                Column(name="miles", label="Miles after them", kind="distance"),
                Column(name="complaints", label="Complaints", kind="count"),
                Column(name="expected", label="Expected", kind="number", digits=1),
                *interval_columns("ratio", "ratio_lo", "ratio_hi",
                                  label="Heard / expected", kind="number", digits=2),
                Column(name="standing", label="Standing", words=words.HEARD),
                Column(name="whole", kind="number", is_shown=False),
            ),
        ) if frame.height else None,
        method="method-people",
    )  # fmt: skip
