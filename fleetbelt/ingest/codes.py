"""Why a row is refused by itself, whatever the other rows say; for the dictionary.

The rules across rows are files in sql/checks and say the same about themselves.
"""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Code:
    """One reason: its code, what is wrong with such a row, and one such cell or row."""

    code: str
    sentence: str
    example: str


REFUSALS: Final = (
    Code("missing_value", "A cell that must be filled is empty.", "no vehicle_id"),
    Code("not_a_number", "The cell is no number.", "12,5 without decimal_comma"),
    Code("not_a_whole_number", "The cell is no whole number.", "6.5 ribs"),
    Code("not_a_date", "The cell is no date of the file's form.", "2024-02-30"),
    Code("unknown_word", "The cell is no code word of its column.", "action polish"),
    Code("out_of_range", "The number cannot be.", "a reading of -4"),
    Code(
        "two_units",
        "One distance is given in two units.",
        "both odometer_mi and odometer_km",
    ),
    Code(
        "date_in_future",
        "The date is after the day of loading.",
        "a service of next year",
    ),
    Code(
        "conflicting_key",
        "Two rows of one load have the same key and other content.",
        "S1 at 12,000 mi and S1 at 12,500 mi",
    ),
    Code(
        "wrong_width",
        "The row has more or fewer cells than there are headings.",
        "a separator lost in the middle",
    ),
    Code(
        "open_quote",
        "A quoted cell does not end within 200 lines.",
        'note "seen, and the mark never comes back',
    ),
    Code(
        "stray_quote",
        "Text follows the end of a quoted cell.",
        '"North" yard',
    ),
    Code("nul_byte", "The line holds a NUL byte.", "a damaged disk"),
    Code(
        "undecodable",
        "The line is not in the file's encoding.",
        "one line of Windows-1252 in a file of UTF-8",
    ),
    Code("cell_too_long", "A cell is over 1 MiB (settings).", "a picture as text"),
    Code(
        "total_line",
        "The row is a total, as the settings say.",
        "Sum,,,,1200",
    ),
)
"""All reasons, those of cells first, then of rows, then of lines."""
