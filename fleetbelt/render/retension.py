"""What a retension changes: where belts were found and where they were left."""

from typing import Final

import polars as pl

from fleetbelt.render.figures import PLACES, axis, figure, reference_line
from fleetbelt.render.frames import Frames
from fleetbelt.render.people import is_calibrated
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
    counts = frames.get("pages.retension_places")
    if counts is None:
        what = "No retension has a reading both found and left."
        return missing("retension", _QUESTION, what, _HOW)
    n = int(counts["n"].sum()) // 2
    under = {
        phase: int(counts.filter(phase=phase)["n_under"].sum())
        for phase in ("found", "left")
    }
    frame, width = _laid_out(counts)
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
        caveat=(
            "Both readings are corrected by their gauge's calibration."
            if is_calibrated(frames)
            else "No gauge is calibrated: both readings are as the gauge showed them.",
        ),
        caption=("Dashed lines: the published minimum and maximum.",),
        figure=figure(
            [_steps("found", "@warn", "dash"), _steps("left", "@main", "solid")],
            x=axis("Place in the range", **PLACES),
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


def _laid_out(counts: pl.DataFrame) -> tuple[pl.DataFrame, float]:
    """Return every step of both phases, those without a retension too; the width."""
    width = float(counts["width"][0])
    low, high = int(counts["step"].min()), int(counts["step"].max())  # type: ignore[arg-type]
    steps = pl.DataFrame({"step": range(low, high + 1)}, schema={"step": pl.Int64})
    phases = pl.DataFrame({"phase": ["found", "left"]})
    frame = (
        phases.join(steps, how="cross", maintain_order="left_right")
        .join(counts, on=["phase", "step"], how="left", maintain_order="left")
        .with_columns(pl.col("n").fill_null(0))
    )
    edges = {"from": pl.col("step") * width, "to": (pl.col("step") + 1) * width}
    return frame.with_columns(
        share=pl.col("n") / pl.col("n").sum().over("phase"),
        middle=(pl.col("step") + 0.5) * width,
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
