"""Figures as plain dicts whose arrays name columns of their section's table.

"$column" stands for a column of the table, "$a-b" for the difference of two, "$#" for
the number of the row, "@name" for a colour of the stylesheet, ``{tension}`` in an axis
title for the unit chosen. ``meta.where`` picks the rows of a trace. The page fills them
in, so a figure and its table cannot differ, and units, colours and filters need no
second copy of a number.
"""

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Final

Figure = dict[str, Any]
Trace = dict[str, Any]

LABEL_LENGTH: Final = 30
MOST_ROWS: Final = 40
PLACES: Final = {
    "tickvals": [-2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2, 2.5, 3],
    "ticktext": [
        *(f"\N{MINUS SIGN}{share} %" for share in (200, 150, 100, 50)),
        "min", "mid", "max",
        *(f"+{share} %" for share in (50, 100, 150, 200)),
    ],
    "zeroline": False,
}  # fmt: skip
"""Ticks of an axis of places in the range: beyond it, in shares of its width."""
_CONTROLS = dict.fromkeys(
    [
        *range(0x20),
        0x7F,
        *range(0x200B, 0x2010),
        *range(0x2028, 0x202F),
        *range(0x2060, 0x2070),
        0xFEFF,
    ]
)


def label(text: str | None, length: int = LABEL_LENGTH) -> str:
    """Return text from a file as a label: short, inert, without direction marks."""
    words = (text or "not given").translate(_CONTROLS)
    short = words if len(words) <= length else f"{words[: length - 1]}…"
    return escape(short, quote=False)


def figure(
    traces: Sequence[Trace],
    *,
    x: Mapping[str, Any],
    y: Mapping[str, Any],
    height: int = 340,
    **layout: Any,  # noqa: ANN401 -- any attribute of a plotly layout
) -> Figure:
    """Return a figure of traces over two axes."""
    return {
        "data": list(traces),
        "layout": {"xaxis": dict(x), "yaxis": dict(y), "height": height, **layout},
    }


def axis(title: str, **attributes: Any) -> dict[str, Any]:  # noqa: ANN401
    """Return an axis with its title, unit included; a standoff keeps it in sight."""
    return {"title": {"text": title, "standoff": 8}, **attributes}


def interval_dots(
    *,
    value: str,
    lo: str,
    hi: str,
    title: str,
    rows: int,
    **x: Any,  # noqa: ANN401
) -> Figure:
    """Return one dot with its interval a row, rows from the top down as the table.

    The table has the columns ``name``, and ``whole`` for a dashed line to compare with.
    """
    shown = max(1, min(rows, MOST_ROWS))
    compared = {
        "type": "scatter",
        "mode": "lines",
        "x": "$whole",
        "y": "$#",
        "line": {"color": "@soft", "width": 1.5, "dash": "dash"},
        "hoverinfo": "skip",
        "showlegend": False,
    }
    dots = {
        **marks(value, name="", symbol="circle", colour="@main"),
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": f"${hi}-{value}",
            "arrayminus": f"${value}-{lo}",
            "color": "@main",
            "thickness": 2,
            "width": 0,
        },
        "showlegend": False,
    }
    y = row_axis("name", shown)
    return figure([compared, dots], x=axis(title, **x), y=y, height=90 + 30 * shown)


def row_axis(name: str, shown: int) -> dict[str, Any]:
    """Return an axis with a label for each row, from the top down as the table."""
    return {
        "tickvals": "$#",
        "ticktext": f"${name}",
        "range": [shown - 0.5, -0.5],
        "zeroline": False,
    }


def first_drawn(rows: int) -> str:
    """Say that a figure with a label for each row draws only the first ones."""
    return "" if rows <= MOST_ROWS else f"The first {MOST_ROWS} of {rows:,} are drawn."


def row_bars(value: str, *, of: str, name: str, colour: str, hatch: str = "") -> Trace:
    """Return a bar a row, with a hatch that tells it from others without colour."""
    return {
        "type": "bar",
        "orientation": "h",
        "x": f"${value}",
        "y": "$#",
        "name": name,
        "marker": hatched(colour, hatch),
        "customdata": f"${of}",
        "hovertemplate": "%{customdata}: %{x}",
    }


def hatched(colour: str, hatch: str) -> dict[str, Any]:
    """Return the look of bars in a colour and a hatch."""
    pattern = {
        "shape": hatch,
        "fillmode": "overlay",
        "fgcolor": "@card",
        "solidity": 0.3,
    }
    return {"color": colour, "pattern": pattern}


def marks(value: str, *, name: str, symbol: str, colour: str) -> Trace:
    """Return one mark a row, rows from the top down as the table."""
    return {
        "type": "scatter",
        "mode": "markers",
        "x": f"${value}",
        "y": "$#",
        "marker": {
            "color": colour,
            "size": 10,
            "symbol": symbol,
            "line": {"color": colour, "width": 2},
        },
        "customdata": "$name",
        "hovertemplate": "%{customdata}: %{x}<extra></extra>",
        "name": name,
    }


def reference_line(x: float, *, layer: str = "below") -> dict[str, Any]:
    """Return a dashed line from bottom to top; for axes whose unit never changes."""
    return {
        "type": "line",
        "layer": layer,
        "x0": x,
        "x1": x,
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "line": {"color": "@soft", "width": 1.5, "dash": "dash"},
    }


def interval_band(*, x: str, value: str, lo: str, hi: str, name: str) -> list[Trace]:
    """Return a line of dots with a band from lower to upper limit."""
    edge = {
        "type": "scatter",
        "mode": "lines",
        "x": f"${x}",
        "line": {"width": 0, "color": "@main"},
        "hoverinfo": "skip",
    }
    return [
        {**edge, "y": f"${lo}", "showlegend": False},
        {
            **edge,
            "y": f"${hi}",
            "fill": "tonexty",
            "fillcolor": "@main-band",
            "name": "95 % interval",
        },
        {
            "type": "scatter",
            "mode": "lines+markers",
            "x": f"${x}",
            "y": f"${value}",
            "line": {"color": "@main", "width": 2},
            "marker": {"color": "@main", "size": 7},
            "name": name,
        },
    ]
