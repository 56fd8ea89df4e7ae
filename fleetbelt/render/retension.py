"""What a retension changes: where belts were found and where they were left."""

from typing import Final

import numpy as np
import polars as pl

from fleetbelt.render.figures import axis, figure, reference_line
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Quantity,
    Section,
    Table,
    missing,
    sentence,
)

_QUESTION: Final = "What does a retension change?"
_HOW: Final = "Record reading_found and reading_left of each retension in services.csv."


def before_and_after(frames: Frames) -> Section:
    """Show the place in the range before and after retensions."""
    story = frames.get("marts.belt_story")
    read = None if story is None else _both_read(story)
    if read is None or read.is_empty():
        what = "No retension has a reading both found and left."
        return missing("retension", _QUESTION, what, _HOW)
    n = read.height // 2
    under = {
        phase: read.filter(pl.col("phase") == phase, pl.col("place") < 0).height
        for phase in ("found", "left")
    }
    frame, width = _binned(read)
    return Section(
        key="retension",
        question=_QUESTION,
        answer=sentence(
            "Of {n} retensions read before and after, {found} belts ({before}) were "
            "found under their range and {left} ({after}) were left under it.",
            n=n,
            found=under["found"],
            before=Quantity(value=under["found"] / n, kind="share"),
            left=under["left"],
            after=Quantity(value=under["left"] / n, kind="share"),
        ),
        caveat=("Both readings are corrected by their gauge's calibration.",),
        caption=("Dashed lines: the published minimum and maximum.",),
        figure=figure(
            [_steps("found", "@warn", "dash"), _steps("left", "@main", "solid")],
            x=axis("Place in the range (0 = min, 1 = max)", zeroline=False),
            y=axis("Share of retensions (%)", tickformat=".0%", rangemode="tozero"),
            shapes=[
                reference_line(0.0, layer="above"),
                reference_line(1.0, layer="above"),
            ],
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="phase", label="Phase"),
                Column(name="middle", kind="number", digits=3, is_shown=False),
                Column(
                    name="from", label="From (0 = minimum)", kind="number", digits=2
                ),
                Column(name="to", label="To (1 = maximum)", kind="number", digits=2),
                Column(name="n", label="Retensions", kind="count"),
                Column(name="share", label="Share", kind="share"),
            ),
            note=(f"Steps of {width:g} of the range; the ends hold all beyond them.",),
        ),
        method="method-band",
    )


def _both_read(story: pl.DataFrame) -> pl.DataFrame:
    wide = pl.col("spec_max_n") - pl.col("spec_min_n")
    return (
        story.filter(pl.col("action") == "retension", wide > 0)
        .with_columns(place=(pl.col("tension_n") - pl.col("spec_min_n")) / wide)
        .drop_nulls("place")
        .filter(pl.len().over("service_id") == 2)
    )


def _binned(read: pl.DataFrame) -> tuple[pl.DataFrame, float]:
    place = read["place"].to_numpy()
    spread = float(np.subtract(*np.quantile(place, [0.98, 0.02])))
    width = next((w for w in (0.25, 0.5, 1.0) if spread / w <= 24), 2.0)
    low, high = np.floor(np.quantile(place, [0.01, 0.99]) / width).astype(int)
    bins = pl.DataFrame({"bin": np.arange(low, high + 1)})
    counts = (
        read.with_columns(
            bin=(pl.col("place") / width).floor().cast(pl.Int64).clip(low, high)
        )
        .group_by("phase", "bin")
        .agg(pl.len().alias("n"))
    )
    phases = pl.DataFrame({"phase": ["found", "left"]})
    frame = (
        phases.join(bins, how="cross", maintain_order="left_right")
        .join(counts, on=["phase", "bin"], how="left", maintain_order="left")
        .with_columns(pl.col("n").fill_null(0))
    )
    edges = {"from": pl.col("bin") * width, "to": (pl.col("bin") + 1) * width}
    return frame.with_columns(
        share=pl.col("n") / pl.col("n").sum().over("phase"),
        middle=(pl.col("bin") + 0.5) * width,
        **edges,
    ), width


def _steps(phase: str, colour: str, dash: str) -> dict[str, object]:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": "$middle",
        "y": "$share",
        "line": {"shape": "hvh", "color": colour, "dash": dash, "width": 2.5},
        "name": phase,
        "meta": {"where": {"phase": phase}},
    }
