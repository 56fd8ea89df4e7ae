"""Words for people in place of the contract's code words."""

from collections.abc import Mapping
from typing import Final, NamedTuple

NO_DRIFT: Final = "Too few belts were read more than once to tell: 20 are needed."
NO_DRIFT_HOW: Final = (
    "Record reading_found on rechecks, inspections and retensions in services.csv: a "
    "belt read twice tells how much it lost."
)


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

HEARD: Final[Mapping[str, str]] = {
    "fewer": "fewer than expected",
    "as_expected": "as expected",
    "more": "more than expected",
    "too_few": "too few to say",
}

INPUTS: Final[Mapping[str, str]] = {
    "visits": "all models: visits",
    "gauges": "gauge corrections: readings of known loads",
    "verdicts": "verdicts: readings",
    "drift": "drift: readings",
    "life": "belt life: belts",
    "noise": "noise rates: complaints",
    "miles": "daily miles: odometer readings",
}
LOSSES: Final[Mapping[str, str]] = {
    "refused": "in rows that were refused",
    "after_as_of": "after the day on which now stands",
    "no_tension": "without a unit, or in Hz without span or belt mass",
    "no_spec": "with no published range",
    "reading_out_of_line": "far from their neighbours and their range",
    "reading_not_used": "that say nothing of the belt that stays on",
    "unknown_age": "fitted before the records begin",
    "complaint_without_belt": "at a mile where no belt is known",
    "not_observed": "outside the miles under observation",
}
