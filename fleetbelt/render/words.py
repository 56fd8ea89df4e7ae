"""Words for people in place of the contract's code words."""

from collections.abc import Mapping
from typing import Final, NamedTuple


class Reason(NamedTuple):
    """Why a belt is on the watchlist, and what to do about it."""

    label: str
    do: str


WATCH_REASONS: Final[Mapping[str, Reason]] = {
    "left_under": Reason(
        "left under its range",
        "Read it cold with a calibrated gauge and set it to the used-belt range.",
    ),
    "no_recheck": Reason(
        "no recheck after run-in",
        "Do the recheck: the run-in loss of this belt was never made good.",
    ),
    "gauge_reads_high": Reason(
        "its gauge reads high",
        "Read it again with another gauge, or apply the correction; have the gauge "
        "calibrated.",
    ),
    "wrong_range": Reason(
        "set to the wrong range",
        "Set it to the range that applies to this drive and belt state.",
    ),
    "found_under_not_adjusted": Reason(
        "found under, not adjusted",
        "Set it to the used-belt range at the next visit.",
    ),
    "losing_fast": Reason(
        "loses tension fast",
        "Look for a cause (wear, oil, a pulley out of line, the adjuster) before "
        "setting it again.",
    ),
    "due": Reason(
        "due by its miles",
        "Read it at the next visit; set it if it is under.",
    ),
}

VERDICTS: Final[Mapping[str, str]] = {
    "under": "under",
    "doubtful_low": "inconclusive, low side",
    "in": "in range",
    "doubtful_high": "inconclusive, high side",
    "over": "over",
    "no_spec": "no range published",
}

BANDS: Final[Mapping[str, str]] = {
    "loose": "loose (below 85 % of the minimum)",
    "under": "under (85 to 100 % of the minimum)",
    "in_spec": "in range",
    "over": "over (up to 115 % of the maximum)",
    "tight": "tight (above 115 % of the maximum)",
    "unknown": "not known",
    "all": "all",
}

CORRECTIONS: Final[Mapping[str, str]] = {
    "calibrated": "calibrated",
    "between_spans": "between spans",
    "beyond_spans": "outside the calibrated spans",
    "pooled": "pooled",
    "none": "none",
}

PHASES: Final[Mapping[str, str]] = {"found": "found", "left": "left"}

STANDINGS: Final[Mapping[str, str]] = {
    "better": "more than expected",
    "as_expected": "as expected",
    "worse": "fewer than expected",
    "too_few": "too few to say",
}

REFUSALS: Final[Mapping[str, str]] = {
    "missing_value": "Fill the cell; in this column it may not be empty.",
    "not_a_date": "Write the date as 2026-03-31, or name the file's date form in "
    "fleetbelt.toml.",
    "not_a_number": "Write a plain number; decimal commas and thousands are settings.",
    "not_a_whole_number": "Write a whole number.",
    "unknown_word": "Use a word of the contract, or map yours in fleetbelt.toml.",
    "out_of_range": "Correct the number: it cannot be in this column.",
    "date_in_future": "Correct the date: it is after the day of loading.",
    "two_units": "Give the distance in one of its two columns, not in both.",
    "wrong_width": "Give the row as many cells as the heading has.",
    "cell_too_long": "Shorten the cell, or close the quotation mark it opens.",
    "open_quote": "Close the quotation mark that this line opens.",
    "stray_quote": "Double or remove the quotation mark inside the cell.",
    "total_line": "Nothing to mend: a line of totals is no record.",
    "undecodable": "Save the file as UTF-8, or name its encoding in fleetbelt.toml.",
    "nul_byte": "Export the file again: it holds bytes that are no text.",
    "unknown_vehicle": "Add the vehicle to vehicles.csv, or correct its number here.",
    "unknown_drive": "Add the drive to drives.csv, or correct its number here.",
    "unknown_gauge": "Add the gauge to gauges.csv, or correct its number here.",
    "conflicting_key": "Two rows of one load have this key and differ: keep one.",
    "odometer_backwards": "Correct the odometer: the readings before and after "
    "it agree, this one does not.",
}
REFUSALS_FALLBACK: Final = (
    "Correct the cell in its file, or map it in fleetbelt.toml; then run again."
)

NOTES: Final[Mapping[str, str]] = {
    "after_retirement": "The day is after the vehicle's last day in the fleet.",
    "before_vehicle": "The day is before the vehicle's first day on the road.",
    "min_over_max": "The range's minimum is above its maximum: it is not used.",
    "no_removal_reason": "A belt came off without a reason: its life counts as "
    "unfinished.",
    "no_repeats": "No load was read twice in a calibration, so its repeatability is "
    "assumed.",
    "no_spec": "No range is published for this drive and belt state: no verdict, never "
    "a guess.",
    "no_tension": "No tension can be told from this reading.",
    "odometer_jump": "The vehicle cannot have driven so far since the reading before.",
    "odometer_order_unclear": "The odometer stands lower than before, and which of the "
    "readings is wrong is not clear.",
    "ranges_disagree": "Published ranges of one drive and state are over 3 % apart; "
    "the preferred source was used, else the first by name.",
    "reading_found_not_used": "A reading found that the contract does not use for this "
    "work.",
    "reading_left_not_used": "A reading left that the contract does not use for this "
    "work.",
    "recheck_too_early": "The engine had not run long enough since the fitting: held "
    "to the new-belt range, and not counted as the run-in recheck.",
    "seen_after_remove": "A belt was seen after it was taken off: taken as put back.",
    "span_outside_drive": "No accessory drive has a span of that length.",
    "technician_two_shops": "The technician worked in two shops on one day.",
    "unit_pair_disagrees": "Two units printed for one range do not give the same "
    "tension.",
    "unit_slip": "The reading looks as if its unit were another: 4.45 or 9.81 times "
    "off.",
    "unknown_drive": "The drive is in no row of drives.csv.",
    "unknown_gauge": "The gauge is in no row of gauges.csv or calibrations.csv.",
    "unknown_vehicle": "The vehicle is in no row of vehicles.csv.",
    "wrong_range": "Set to the range of the other belt state; the range that applies "
    "was used.",
}
NOTES_FALLBACK: Final = "Kept and used; the detail says what is doubtful."
