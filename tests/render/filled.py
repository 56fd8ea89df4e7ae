"""Figures with their references filled in, as the page's script does it."""

import re
from typing import Any

import polars as pl

COLOUR = re.compile("(^|.)color$")


def filled(figure: dict[str, Any], frame: pl.DataFrame) -> dict[str, Any]:
    """Return the figure with arrays and colours in place of their names."""
    frame = frame.with_row_index("#")
    traces = []
    for trace in figure["data"]:
        rows = frame
        for name, wanted in trace.get("meta", {}).get("where", {}).items():
            rows = rows.filter(pl.col(name) == wanted)
        traces.append(_walk(trace, rows))
    return {"data": traces, "layout": _walk(figure["layout"], frame)}


def _walk(value: Any, rows: pl.DataFrame, key: str = "") -> Any:
    if key == "meta":
        return value
    if isinstance(value, list):
        return [_walk(item, rows, key) for item in value]
    if isinstance(value, dict):
        return {name: _walk(item, rows, name) for name, item in value.items()}
    if isinstance(value, str) and COLOUR.search(key) and value.startswith("@"):
        return "#123456"
    if isinstance(value, str) and key not in {"text", "name"} and value.startswith("$"):
        return _named(value[1:], rows)
    return value


def _named(reference: str, rows: pl.DataFrame) -> list[Any]:
    first, _, second = reference.partition("-")
    column = pl.col(first) - pl.col(second) if second else pl.col(first)
    return rows.select(column).to_series().to_list()
