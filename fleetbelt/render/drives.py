"""The drives drawn to scale, and what their published ranges mean: estimates."""

import math
from typing import Any, Final

import polars as pl

from fleetbelt.belt.drive import Drive, PulleyEstimate, lay_out, pulley_estimates
from fleetbelt.render.drawing import drive_drawing
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import Quantity, Sentence, sentence
from fleetbelt.render.shares import listed

MOST_DRIVES: Final = 12


def drives(frames: Frames) -> dict[str, Any]:
    """Return the drives of pulleys.csv, the most used first, drawn and explained.

    Parameters
    ----------
    frames : Frames
        The pulleys, the ranges in force, and the belts.

    Returns
    -------
    dict
        ``drawn`` (a dict a drive), ``rest`` (names of those not drawn) and ``faults``.
    """
    pulleys = frames.get("staging.pulleys")
    if pulleys is None:
        return {"drawn": [], "rest": [], "faults": []}
    ids = _most_used_first(frames, pulleys)
    laid = {one: lay_out(pulleys.filter(drive_id=one)) for one in ids}
    sound = [one for one, drive in laid.items() if drive.layout is not None]
    return {
        "drawn": [_drawn(frames, one, laid[one]) for one in sound[:MOST_DRIVES]],
        "rest": sound[MOST_DRIVES:],
        "faults": [
            {"drive_id": one, "fault": drive.fault}
            for one, drive in laid.items()
            if drive.layout is None
        ],
    }


def _most_used_first(frames: Frames, pulleys: pl.DataFrame) -> list[str]:
    ids = pulleys.select("drive_id").unique()
    ends = frames.get("pages.belt_ends")
    if ends is None:
        return sorted(ids["drive_id"])
    used = ends.group_by("drive_id").agg(pl.col("n").sum())
    order = ids.join(used, on="drive_id", how="left").fill_null(0)
    return order.sort(["n", "drive_id"], descending=[True, False])["drive_id"].to_list()


def _drawn(frames: Frames, drive_id: str, drive: Drive) -> dict[str, Any]:
    layout = drive.layout
    if layout is None:  # never: only those laid out are drawn
        return {}
    best = drive.reached[0] if drive.reached else None
    limits = _limits(frames, drive_id)
    estimates = pulley_estimates(layout, limits)
    return {
        "drive_id": drive_id,
        "models": _models(frames, drive_id),
        "svg": drive_drawing(
            layout,
            is_reached=[span.is_accessible for span in drive.spans],
            measured=best.number - 1 if best else None,
            paper="var(--card)",
        ),
        "best": sentence(
            "span {n}, {name}, {long}",
            n=best.number,
            name=best.name.replace("_", " "),
            long=Quantity(value=best.length_mm, kind="span"),
        )
        if best
        else (),
        "states": list(limits),
        "pulleys": [_row(one, list(limits)) for one in estimates],
    }


def _models(frames: Frames, drive_id: str) -> str:
    """Name the models whose belts run on this drive, the commonest first."""
    ends = frames.get("pages.belt_ends")
    if ends is None:
        return ""
    sums = ends.filter(drive_id=drive_id).group_by("model").agg(pl.col("n").sum())
    order = sums.drop_nulls().sort("n", "model", descending=[True, False])
    return listed(order["model"].to_list(), "")


def _limits(frames: Frames, drive_id: str) -> dict[str, tuple[float, float]]:
    ranges = frames.get("history.ranges")
    if ranges is None:
        return {}
    rows = ranges.filter(drive_id=drive_id).sort("belt_state")
    return {
        row["belt_state"]: (row["spec_min_n"], row["spec_max_n"])
        for row in rows.iter_rows(named=True)
        if row["spec_min_n"] is not None and row["spec_max_n"] is not None
    }


def _row(one: PulleyEstimate, states: list[str]) -> dict[str, Any]:
    slips = {} if math.isnan(one.grip) else one.held_n
    return {
        "name": one.name.replace("_", " "),
        "side": one.side,
        "wrap": f"{one.wrap_deg:.0f}°",
        "held": [_between(slips[s]) if slips else () for s in states],
        "hub": [_between(one.hub_n[s]) for s in states],
    }


def _between(limits_n: tuple[float, float]) -> Sentence:
    low_n, high_n = limits_n
    return sentence(
        "{low} to {high}",
        low=Quantity(value=low_n, kind="tension", is_bare=True),
        high=Quantity(value=high_n, kind="tension"),
    )
