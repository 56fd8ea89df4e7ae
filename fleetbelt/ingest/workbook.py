"""One sheet of a workbook, read as if it were a CSV file; a line is a row number."""

import zipfile
from collections.abc import Iterator
from typing import Any, Final

import fastexcel
import polars as pl

from fleetbelt.errors import InputError
from fleetbelt.ingest.folder import Source
from fleetbelt.ingest.headings import TITLE_LINES, plain
from fleetbelt.ingest.opening import HeadRow, Opened, find_heading, shape_of, titles_of
from fleetbelt.ingest.records import Malformed, Record
from fleetbelt.ingest.snapshot import BOMB_FROM, BOMB_RATIO, Snapshot
from fleetbelt.settings import Intake, Settings

_FIX: Final = "save it again as .xlsx, or export the sheet as CSV."


def open_workbook(source: Source, snapshot: Snapshot, settings: Settings) -> Opened:
    """Choose the sheet of a workbook and find its heading row.

    Cells become text as they are shown: whole numbers without a decimal point, dates
    year first, an error or a formula never calculated as empty.

    Raises
    ------
    InputError
        It is no workbook, unpacks too far, the sheet is not certain, or no row among
        the first has the columns the table must have.
    """
    _refuse_bomb(source, snapshot, settings.intake)
    reader = _reader(source, snapshot)
    sheet = _sheet_name(reader.sheet_names, source)
    frame = _frame(reader, sheet, source)

    def cells(first: int, last: int | None = None) -> Iterator[tuple[int, list[str]]]:
        part = frame[first - 1 : last]
        for line, row in enumerate(part.iter_rows(), start=first):
            yield line, ["" if cell is None else cell for cell in row]

    first = 1 + source.mapping.skip_top
    head = [
        HeadRow(line, line + 1, row)
        for line, row in cells(first, source.mapping.skip_top + TITLE_LINES)
    ]
    layout, _ = find_heading({"": head}, source)
    shape = shape_of(layout, source, settings)

    def rows() -> Iterator[Record | Malformed]:
        for line, row in cells(layout.next_line):
            found = shape.of(line, row, "\t".join(row))
            if found is not None:
                yield found

    return Opened(
        source=source,
        snapshot=snapshot,
        layout=layout,
        titles=titles_of(
            " ".join(filter(None, row)) for _, row in cells(1, layout.line - 1)
        ),
        sheet=sheet,
        rows=rows,
    )


def _refuse_bomb(source: Source, snapshot: Snapshot, intake: Intake) -> None:
    try:
        with zipfile.ZipFile(snapshot.path) as archive:
            n_bytes = sum(entry.file_size for entry in archive.infolist())
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise _damaged(source, str(error)) from error
    limit = max(BOMB_FROM, BOMB_RATIO * snapshot.path.stat().st_size)
    if n_bytes > min(limit, intake.max_file_bytes):
        raise InputError(
            what=f"The workbook unpacks to {n_bytes:,} bytes.",
            where=source.file,
            fix="if it is honest, export the sheet as CSV.",
        )


def _reader(source: Source, snapshot: Snapshot) -> fastexcel.ExcelReader:
    try:
        return fastexcel.read_excel(snapshot.path)
    except fastexcel.FastExcelError as error:
        raise _damaged(source, str(error)) from error


def _frame(reader: fastexcel.ExcelReader, sheet: str, source: Source) -> pl.DataFrame:
    options: dict[str, Any] = {"header_row": None, "skip_rows": 0, "dtypes": "string"}
    try:
        return pl.DataFrame(reader.load_sheet(sheet, **options))
    except fastexcel.FastExcelError as error:
        raise _damaged(source, str(error)) from error


def _damaged(source: Source, message: str) -> InputError:
    return InputError(
        what=f"The workbook cannot be read: {message.partition(chr(10))[0]}.",
        where=source.file,
        fix=_FIX,
    )


def _sheet_name(names: list[str], source: Source) -> str:
    """Return the sheet the settings name, or the table's, or the only one."""
    wanted = source.mapping.sheet or source.table.name
    found = [sheet for sheet in names if plain(sheet) == plain(wanted)]
    if not found and len(names) == 1 and not source.mapping.sheet:
        found = names
    if len(found) != 1:
        raise InputError(
            what=f"Which sheet holds {source.table.name} is not certain: "
            f"{', '.join(names)}.",
            where=source.file,
            fix="name it in fleetbelt.toml: [[file]] "
            f'name = "{source.file}" and sheet = "{names[0] if names else ""}".',
        )
    return found[0]
