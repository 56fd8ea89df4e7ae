"""Why a row is refused or doubted: every code, for the dictionary and the pages.

The rules across rows are files in sql/checks and say the same about themselves.
"""

from dataclasses import dataclass
from typing import Final

import duckdb

from fleetbelt.resources import bundled
from fleetbelt.store.checks import discover


@dataclass(frozen=True, slots=True)
class Code:
    """One reason.

    Attributes
    ----------
    code, sentence, example : str
        What is wrong with such a row, and one such cell or row.
    mend, setting : str
        What to do, and the key of fleetbelt.toml that may do it for all rows.
    severity : str
        ``quarantine``: the row is refused; ``note``: it is kept.
    """

    code: str
    sentence: str
    example: str
    mend: str
    setting: str = ""
    severity: str = "quarantine"


REFUSALS: Final = (
    Code(
        "missing_value",
        "A cell that must be filled is empty.",
        "no vehicle_id",
        "Fill the cell, or map the heading that holds it.",
        "[file.headings]",
    ),
    Code(
        "not_a_number",
        "The cell is no number.",
        "12,5 without decimal_comma",
        "Write a plain number; decimal commas and thousands are settings.",
        "decimal_comma, thousands",
    ),
    Code(
        "not_a_whole_number",
        "The cell is no whole number.",
        "6.5 ribs",
        "Write a whole number.",
    ),
    Code(
        "not_a_date",
        "The cell is no date of the file's form.",
        "2024-02-30",
        "Write the date as 2024-03-31, or name the file's form. A time may follow it, "
        "a time zone may not; the year has four digits.",
        "date_form",
    ),
    Code(
        "unknown_word",
        "The cell is no code word of its column.",
        "action polish",
        "Write a word of the contract, or map the fleet's own.",
        "[file.words]",
    ),
    Code(
        "out_of_range",
        "The number cannot be.",
        "a reading of -4, or an odometer at 9 million miles",
        "Correct the number; of odometers the settings say how far is too far.",
        "intake.max_odometer_mi",
    ),
    Code(
        "two_units",
        "One distance is given in two units.",
        "both odometer_mi and odometer_km",
        "Give the distance in one of its two columns.",
    ),
    Code(
        "date_in_future",
        "The date is after the day of loading.",
        "a service of next year",
        "Correct the date, or name the file's form.",
        "date_form",
    ),
    Code(
        "conflicting_key",
        "Two rows of one load have the same key and other content.",
        "S1 at 12,000 mi and S1 at 12,500 mi",
        "Keep one of the two, or load the correction after the first.",
    ),
    Code(
        "wrong_width",
        "The row has more or fewer cells than there are headings.",
        "a separator lost in the middle",
        "Give the row as many cells as there are headings.",
        "separator",
    ),
    Code(
        "open_quote",
        "A quoted cell does not end within 200 lines.",
        'note "seen, and the mark never comes back',
        "Close the quotation mark that this line opens.",
    ),
    Code(
        "stray_quote",
        "Text follows the end of a quoted cell.",
        '"North" yard',
        "Double the quotation marks inside the cell, or take them out.",
    ),
    Code(
        "nul_byte",
        "The line holds a NUL byte.",
        "a damaged disk",
        "Export the file again: it holds bytes that are no text.",
    ),
    Code(
        "undecodable",
        "The line is not in the file's encoding.",
        "one line of Windows-1252 in a file of UTF-8",
        "Save the file as UTF-8, or name its encoding.",
        "encoding",
    ),
    Code(
        "cell_too_long",
        "A cell is over 1 MiB (settings).",
        "a picture as text",
        "Shorten the cell, or close the quotation mark it opens.",
        "intake.max_cell_bytes",
    ),
    Code(
        "total_line",
        "The row is a total, as the settings say.",
        "Sum,,,,1200",
        "Nothing: a line of totals is no record.",
        "skip_totals",
    ),
)
"""All reasons of one row by itself: of cells first, then of rows, then of lines."""


def rules() -> tuple[Code, ...]:
    """Return the codes of the rules across rows, in alphabetical order."""
    return tuple(
        Code(r.code, r.sentence, r.example, r.mend, r.setting, r.severity)
        for r in discover(bundled("sql") / "checks")
    )


def setting_for(code: str) -> str:
    """Return the setting that may mend a refusal; nothing where none does."""
    return next((c.setting for c in REFUSALS if c.code == code), "")


def write_codes(connection: duckdb.DuckDBPyConnection) -> None:
    """Write ``typed.codes`` anew: what each code means and how it is mended."""
    connection.execute(
        "create or replace table typed.codes (code varchar, severity varchar, "
        "sentence varchar, example varchar, mend varchar, setting varchar)"
    )
    connection.executemany(
        "insert into typed.codes values (?, ?, ?, ?, ?, ?)",
        [
            (c.code, c.severity, c.sentence, c.example, c.mend, c.setting)
            for c in (*REFUSALS, *rules())
        ],
    )
