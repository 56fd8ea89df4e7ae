"""The order of a file's dates: declared, or proven by its own cells, never guessed."""

from dataclasses import dataclass

import duckdb

from fleetbelt.errors import InputError
from fleetbelt.ingest.casts import date_value
from fleetbelt.ingest.folder import Source
from fleetbelt.ingest.statements import Sql, compose, joined, name, qualified
from fleetbelt.settings import DateForm


@dataclass(frozen=True, slots=True)
class DateOrder:
    """A date form and why it is that one."""

    form: DateForm
    reason: str


def date_order(
    connection: duckdb.DuckDBPyConnection, source: Source, file_id: int
) -> DateOrder:
    """Return the form in which a file, already in schema raw, writes its dates.

    The settings decide. Else year-first dates are read as such; day-first or
    month-first is taken where some dates fit only the one and none only the other.

    Raises
    ------
    InputError
        The dates fit both orders, or some only the one and some only the other.
    """
    declared = source.mapping.date_form
    if declared:
        return DateOrder(declared, "settings")
    cells = _date_cells(source, file_id)
    if cells is None:
        return DateOrder("ISO", "default")
    n_cells, n_year_first = _count(connection, cells, Sql("count(*)"), _fits("ISO"))
    if n_cells == n_year_first:
        return DateOrder("ISO", "default")
    n_day, n_month, n_both, example = _last_year_counts(connection, cells)
    if n_year_first >= n_day + n_month + n_both:
        return DateOrder("ISO", "default")
    if n_day and not n_month:
        return DateOrder("DMY", "dates")
    if n_month and not n_day:
        return DateOrder("MDY", "dates")
    raise _ambiguous(source, example)


def _date_cells(source: Source, file_id: int) -> Sql | None:
    dates = [column for column in source.table.columns if column.type == "date"]
    if not dates:
        return None
    selects = (
        compose(
            "select {c} as cell from {table} where file_id = {id} and {c} is not null",
            c=name(column.name),
            table=qualified("raw", source.table),
            id=Sql(str(int(file_id))),
        )
        for column in dates
    )
    return joined(" union all ", selects)


def _fits(form: DateForm) -> Sql:
    value = date_value(Sql("cell"), form)
    return compose("count(*) filter ({value} is not null)", value=value)


def _count(
    connection: duckdb.DuckDBPyConnection, cells: Sql, *counts: Sql
) -> tuple[int, ...]:
    query = compose(
        "select {counts} from ({cells})", counts=joined(", ", counts), cells=cells
    )
    (row,) = connection.execute(query).fetchall()
    return tuple(row)


def _last_year_counts(
    connection: duckdb.DuckDBPyConnection, cells: Sql
) -> tuple[int, int, int, str]:
    """Return how many dates fit day-first only, month-first only, both; and one."""
    query = compose(
        """
        select
            count(*) filter (day_first and not month_first),
            count(*) filter (month_first and not day_first),
            count(*) filter (day_first and month_first),
            coalesce(min(cell) filter (day_first and month_first), min(cell))
        from (
            select cell, {day} is not null as day_first,
                {month} is not null as month_first
            from ({cells})
        )
        where day_first or month_first
        """,
        day=date_value(Sql("cell"), "DMY"),
        month=date_value(Sql("cell"), "MDY"),
        cells=cells,
    )
    (row,) = connection.execute(query).fetchall()
    return row[0], row[1], row[2], row[3] or ""


def _ambiguous(source: Source, example: str) -> InputError:
    return InputError(
        what=f"Dates such as {example} can be day first or month first.",
        where=source.file,
        fix="say which in fleetbelt.toml: [[file]] "
        f'name = "{source.file}" and date_form = "DMY" (or "MDY").',
    )
