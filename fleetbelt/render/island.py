"""Tables and figures as JSON that is safe inside a page."""

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import polars as pl
from markupsafe import Markup

from fleetbelt.render.section import Column, Recount, Section, Table, digits_for

_ESCAPES = {
    "<": "\\u003c",
    ">": "\\u003e",
    "&": "\\u0026",
    "\u2028": "\\u2028",
    "\u2029": "\\u2029",
}
_LIMITS = re.compile(r"\(\{(\w+)\} to \{(\w+)\}\)")
_DRAWN_ONLY = "is_drawn_only"
_LAST_WHOLE = 2.0**53  # beyond it scripts do not tell whole numbers apart
_KEPT_DIGITS = {
    "share": 5,
    "chance": 4,
    "count": 0,
    "distance": 1,
    "span": 2,
    "tension": 1,
}


def json_island(value: object) -> Markup:
    """Return a value as JSON that no HTML parser can leave.

    Parameters
    ----------
    value : object
        Dicts, lists, text, finite numbers, booleans and None.

    Returns
    -------
    Markup
        ``<``, ``>``, ``&`` and the line separators stand as escapes, so the text is
        inert in a ``<script type="application/json">`` element.
    """
    text = _short(value)
    for character, escape in _ESCAPES.items():
        text = text.replace(character, escape)
    return Markup(text)  # noqa: S704 -- escaped on the lines above


def table_data(table: Table) -> dict[str, Any]:
    """Return a table as its columns, each with what the page must know of it."""
    frame = table.listed
    digits = _supported_digits(frame, table.columns)
    columns = [
        replace(column, digits=digits.get(column.name, column.digits))
        for column in table.columns
    ]
    data: dict[str, Any] = {
        "height": frame.height,
        "columns": _columns_data(frame, columns),
    }
    if _DRAWN_ONLY in frame.columns:
        data["unlisted"] = frame[_DRAWN_ONLY].arg_true().to_list()
    if table.recount is not None:
        data["recount"] = _recount_data(table.recount)
    return data


def _supported_digits(frame: pl.DataFrame, columns: Sequence[Column]) -> dict[str, int]:
    """Return the decimals of values with an interval beside them, and of its limits.

    One number for a column, so that its figures line up: what the middle width allows.
    """
    digits: dict[str, int] = {}
    for column in columns:
        limits = _LIMITS.fullmatch(column.beside)
        if limits is None:
            continue
        lo, hi = limits.groups()
        width = (frame[hi] - frame[lo]).drop_nulls().median()
        if isinstance(width, float):
            names = (column.name, lo, hi)
            digits |= dict.fromkeys(names, digits_for(0, width, column.kind))
    return digits


def section_data(section: Section) -> dict[str, Any]:
    """Return what the page's script needs of a section."""
    data: dict[str, Any] = {}
    if section.table is not None:
        data = table_data(section.table)
    if section.figure is not None:
        data["figure"] = section.figure
    return data


def _columns_data(
    frame: pl.DataFrame, columns: Sequence[Column]
) -> list[dict[str, Any]]:
    """Return what the page must know of each column, and its values."""
    values = _values(frame, columns)
    ends = values.select(pl.all().is_not_null().arg_true().max() + 1).row(0)
    return [
        _column_data(column) | _coded(values[column.name].head(end or 0).to_list())
        for column, end in zip(columns, ends, strict=True)  # nulls at the end are cut
    ]


def _column_data(column: Column) -> dict[str, Any]:
    data: dict[str, Any] = {
        "name": column.name,
        "label": column.label,
        "kind": column.kind,
    }
    if column.digits:
        data["digits"] = column.digits
    if column.words:
        data["words"] = dict(column.words)
    if column.unit:
        data["unit"] = column.unit
    if column.beside:
        data["beside"] = column.beside
    if not column.is_shown:
        data["hidden"] = True
    return data


def _values(frame: pl.DataFrame, columns: Sequence[Column]) -> pl.DataFrame:
    """Return the columns as JSON will have them, those of whole numbers as such."""
    values = frame.select(_value(column) for column in columns)
    number = pl.selectors.float()
    is_exact = number.abs() < _LAST_WHOLE
    is_whole = values.select(((number == number.round(0)) & is_exact).all())
    whole = [column.name for column in is_whole if column.item()]
    return values.with_columns(pl.col(whole).cast(pl.Int64))


def _value(column: Column) -> pl.Expr:
    """Return text, or a number rounded below what is shown; null where not finite."""
    value = pl.col(column.name)
    if column.kind in {"text", "words", "date"}:
        return value.cast(pl.String)
    kept = _KEPT_DIGITS.get(column.kind, max(column.digits, 0) + 3)
    number = value.cast(pl.Float64).round(kept)
    return pl.when(number.is_finite()).then(number).alias(column.name)


def _coded(values: list[Any]) -> dict[str, Any]:
    """Return values as they are, or as places among their kinds if that is shorter."""
    kinds = list(dict.fromkeys(values))
    if len(kinds) == len(values):
        return {"values": values}
    place = {kind: index for index, kind in enumerate(kinds)}
    coded = [place[value] for value in values]
    if len(_short(kinds)) + len(_short(coded)) >= len(_short(values)):
        return {"values": values}
    return {"kinds": kinds, "values": coded}


def _short(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _recount_data(recount: Recount) -> dict[str, Any]:
    columns = tuple(
        Column(name=name, kind="count" if dtype.is_numeric() else "text")
        for name, dtype in recount.cells.schema.items()
    )
    return {
        "by": list(recount.by),
        "within": recount.within,
        "sum": recount.is_sum,
        "height": recount.cells.height,
        "columns": _columns_data(recount.cells, columns),
    }
