"""The work plan as a workbook: a sheet a depot, real dates, filters, a fixed heading.

A text is written as text, never as a formula or a link, and one that looks like a
formula gets the apostrophe it has in the CSV, so that it stays text in whatever is made
from the workbook.
"""

import re
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Final

import polars as pl
from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from fleetbelt.contract import result_table
from fleetbelt.store.export import FORMULA

MOST_ROWS: Final = 1_048_575  # of a sheet, below its heading
_MOST_CHARACTERS: Final = 32_767  # of a cell
_HEADINGS: Final = {
    "vehicle_id": "Vehicle",
    "belt_id": "Belt",
    "depot": "Depot",
    "job": "Job",
    "due_odometer_mi": "Due at odometer (mi)",
    "due_date": "Due",
    "week": "Week from",
    "weeks_late": "Weeks late",
    "minutes": "Minutes",
    "p_failure_90d": "Chance of failing in 90 days",
    "expected_cost": "Expected cost",
    "reason": "Reason",
}
_FORMS: Final = {
    "due_odometer_mi": "#,##0",
    "minutes": "0",
    "p_failure_90d": "0.0%",
    "expected_cost": "#,##0.00",
}
_ABOUT: Final = "About this plan"
_NOT_IN_A_NAME: Final = re.compile(r"[\[\]:*?/\\\x00-\x1f\x7f\ufffe\uffff]")
_LONGEST_NAME, _WIDEST = 31, 60
_NO_WEEK: Final = "#EDEDED"
_DAY_0: Final = date(1899, 12, 30)  # of a sheet: a date is the days since


def write_workbook(
    plan: pl.DataFrame,
    path: Path,
    *,
    as_of: date,
    currency: str,
    caution: str,
    left_out: str = "",
) -> None:
    """Write the plan with a sheet a depot and one that says what the columns are.

    Parameters
    ----------
    plan : polars.DataFrame
        ``results.work_plan``, in the order of the rows. Jobs without a week are grey.
    path : Path
        The file.
    as_of : datetime.date
        The day on which the plan was made; the only date in the file's properties.
    currency : str
        Of the costs.
    caution : str
        Said beside the columns and at the foot of every printed page.
    left_out : str, default ""
        What the workbook does not hold and where it is: that sheet is then the first,
        else the last.
    """
    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "tmpdir": str(path.parent),
    }
    with Workbook(path, options) as book:
        made = datetime(as_of.year, as_of.month, as_of.day)  # noqa: DTZ001 -- a day
        book.set_properties({"title": "Belt work plan", "created": made})
        sheets = _Sheets(book, currency, caution)
        if left_out:
            sheets.about(plan.columns, as_of, left_out)
        for depot, rows in _depots(plan):
            sheets.add(depot, rows)
        if not left_out:
            sheets.about(plan.columns, as_of)


def _depots(plan: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    """Return the rows of each depot; an empty sheet where there are none at all."""
    safe = _safe(plan)
    if plan.is_empty():
        yield "No job is due", safe
    for (depot,), rows in safe.group_by("depot", maintain_order=True):
        for part in rows.iter_slices(MOST_ROWS):
            yield str(depot or "no depot"), part


def _safe(plan: pl.DataFrame) -> pl.DataFrame:
    """Make text that looks like a formula harmless, and cut what no cell can hold."""
    text = pl.selectors.string()
    marked = pl.when(text.str.contains(FORMULA)).then("'" + text).otherwise(text)
    return plan.with_columns(
        marked.str.head(_MOST_CHARACTERS).name.keep(),
        pl.selectors.float().fill_nan(None),
    )


class _Sheets:
    """Adds sheets to a workbook; holds its formats and the names taken."""

    def __init__(self, book: Workbook, currency: str, caution: str) -> None:
        self._book, self._currency, self._caution = book, currency, caution
        self._taken = {_ABOUT.casefold(), "history"}  # the latter is reserved
        self._head = book.add_format(
            {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}
        )
        self._wrapped = book.add_format({"text_wrap": True, "valign": "top"})

    def add(self, depot: str, rows: pl.DataFrame) -> None:
        """Add the sheet of a depot."""
        sheet = self._book.add_worksheet(sheet_name(depot, self._taken))
        self._taken.add(sheet.get_name().casefold())
        headings = [self._heading(name) for name in rows.columns]
        for place, name in enumerate(rows.columns):
            sheet.set_column(place, place, _width(rows[name], headings[place]))
        sheet.write_row(0, 0, headings, self._head)
        sheet.freeze_panes(1, 0)
        sheet.autofilter(0, 0, max(rows.height, 1), rows.width - 1)
        self._fill(sheet, rows)
        self._paper(sheet)

    def _fill(self, sheet: Worksheet, rows: pl.DataFrame) -> None:
        placed = self._formats(rows, {})
        unplaced = self._formats(rows, {"bg_color": _NO_WEEK, "italic": True})
        week = rows.columns.index("week")
        write = [
            sheet.write_string if kind == pl.String else sheet.write_number
            for kind in rows.dtypes
        ]
        days = pl.selectors.date() - _DAY_0
        cells = rows.with_columns(days.dt.total_days())
        for number, row in enumerate(cells.iter_rows(), start=1):
            formats = unplaced if row[week] is None else placed
            for place, cell in enumerate(row):
                if cell is None:
                    sheet.write_blank(number, place, None, formats[place])
                else:
                    write[place](number, place, cell, formats[place])

    def _formats(self, rows: pl.DataFrame, look: dict[str, object]) -> list[Format]:
        """Return the format of each column."""
        forms = [
            "yyyy-mm-dd" if kind == pl.Date else _FORMS.get(name, "General")
            for name, kind in rows.schema.items()
        ]
        return [self._book.add_format({"num_format": form, **look}) for form in forms]

    def _heading(self, name: str) -> str:
        heading = _HEADINGS.get(name, name)
        is_money = name == "expected_cost" and self._currency
        return f"{heading} ({self._currency})" if is_money else heading

    def _paper(self, sheet: Worksheet) -> None:
        """Print across, as wide as a page, with the heading on each."""
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(0)
        sheet.set_footer(f"&L&8{self._caution}&R&8&P/&N")

    def about(self, columns: list[str], as_of: date, left_out: str = "") -> None:
        """Add the sheet that says what the columns are."""
        sheet = self._book.add_worksheet(_ABOUT)
        sheet.set_column(0, 1, 28)
        sheet.set_column(2, 2, _WIDEST)
        table = result_table("work_plan")
        meaning = {column.name: column.meaning for column in table.columns}
        rows = [
            *([(left_out,)] if left_out else []),
            (f"As of {as_of.isoformat()}; one row is {table.row}.",),
            ("Grey rows found no room in the weeks planned: they have no week.",),
            (self._caution,),
            (),
            ("Column", "In the CSV", "Meaning"),
            *((self._heading(name), name, meaning.get(name, "")) for name in columns),
        ]
        for number, row in enumerate(rows):
            is_line = len(row) == 1
            look = self._head if row and row[0] == "Column" else self._wrapped
            sheet.write_row(number, 0, row, None if is_line else look)
        self._paper(sheet)


def sheet_name(text: str, taken: set[str]) -> str:
    r"""Return a text as a name that a sheet may have and no other has.

    Parameters
    ----------
    text : str
        Any text.
    taken : set of str
        Names that are taken, in folded case.

    Returns
    -------
    str
        At most 31 UTF-16 units, none of ``[]:*?/\`` or control characters, no
        apostrophe at either end, never empty.
    """
    clean = _NOT_IN_A_NAME.sub("_", text).strip().strip("'").strip() or "_"
    name, number = _cut(clean, _LONGEST_NAME), 1
    while name.casefold() in taken:
        number += 1
        mark = f" ({number})"
        name = f"{_cut(clean, _LONGEST_NAME - len(mark))}{mark}"
    return name


def _cut(text: str, longest: int) -> str:
    """Return as much of a text as fits, counted as spreadsheets do."""
    units = text.encode("utf-16-le")[: 2 * longest]
    return units.decode("utf-16-le", errors="ignore").rstrip("' ") or "_"


def _width(values: pl.Series, heading: str) -> int:
    """Return the width of a column in characters; long headings wrap."""
    longest = values.cast(pl.String).str.len_chars().max()
    own = longest if isinstance(longest, int) else 0
    if values.dtype.is_float():
        own = min(own, 10)
    return min(max(own, *map(len, heading.split()), 8) + 3, _WIDEST)
