"""What a settings file might say about a file that was not understood."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher, get_close_matches
from json import dumps
from typing import Final

from fleetbelt.contract import Table
from fleetbelt.ingest.headings import plain

_ALIKE: Final = 0.75  # share of letters in common from which headings are alike
_SYNONYMS: Final = {
    "vehicle_id": "vehicle vehicle_no vehicle_number unit unit_no asset fahrzeug",
    "model": "type vehicle_type vehicle_model modell",
    "depot": "base location yard standort",
    "drive_id": "drive layout belt_drive",
    "service_id": "id job job_no order order_no work_order record_no auftrag",
    "complaint_id": "id complaint complaint_no record_no",
    "repair_id": "id repair repair_no job_no record_no",
    "date": "day service_date visit_date repair_date datum",
    "odometer_mi": "mileage miles odometer odo mi",
    "odometer_km": "km kilometres kilometers km_reading kilometerstand km_stand",
    "action": "work operation task job_type",
    "shop": "workshop garage site werkstatt",
    "technician_id": "technician tech mechanic fitter employee mechaniker",
    "gauge_id": "gauge tool tester",
    "span_in": "span inches span_inches",
    "span_mm": "span_length span_millimetres",
    "reading_found": "found before as_found tension_before",
    "reading_left": "left after as_left tension_after",
    "reading_unit": "unit units einheit",
    "unit": "units einheit",
    "removal_reason": "reason why",
    "labour_minutes": "labor_minutes minutes duration",
    "tension_min": "min minimum from lower",
    "tension_max": "max maximum to upper",
    "belt_state": "state condition",
    "noise": "complaint sound",
    "note": "notes remark remarks comment comments bemerkung",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """What the settings might say about one file.

    Attributes
    ----------
    headings : dict
        The file's own heading to the column it may mean; empty where none is near.
    words : dict
        Column to the file's own code words and the contract's, empty likewise.
    date_form : bool
        The order of its dates must be said.
    decimal_comma : bool
        Refused numbers look like 12,5.
    sheet : bool
        The sheet must be said.
    """

    headings: dict[str, str] = field(default_factory=dict)
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    date_form: bool = False
    decimal_comma: bool = False
    sheet: bool = False

    @property
    def is_empty(self) -> bool:
        """Nothing needs to be said."""
        flags = (self.date_form, self.decimal_comma, self.sheet)
        return not (any(self.headings.values()) or self.words or any(flags))


def likely_headings(
    table: Table, unknown: Iterable[str], used: Iterable[str]
) -> dict[str, str]:
    """Return for each unknown heading the unused column it may mean, or nothing.

    Parameters
    ----------
    table : Table
        The table the file feeds.
    unknown : iterable of str
        Headings that are no column of it.
    used : iterable of str
        Columns the file has already.

    Returns
    -------
    dict of str to str
        Heading to column; each column at most once, the nearest heading first.
    """
    taken = set(used)
    unused = [c.name for c in table.columns if c.name not in taken]
    scores = sorted(
        (-_alike(heading, ours), heading, ours)
        for heading in unknown
        for ours in unused
    )
    found: dict[str, str] = {}
    for score, heading, ours in scores:
        if -score >= _ALIKE and heading not in found and ours not in taken:
            found[heading] = ours
            taken.add(ours)
    return {heading: found.get(heading, "") for heading in unknown}


def _alike(heading: str, ours: str) -> float:
    theirs = plain(heading)
    if theirs in _SYNONYMS.get(ours, "").split():
        return 1.0
    return SequenceMatcher(None, theirs, ours).ratio()


def likely_words(words: Sequence[str], theirs: Iterable[str]) -> dict[str, str]:
    """Return for each unknown code word the nearest of the contract's, or nothing."""
    lowered = {word.lower(): word for word in words}
    near = {word: get_close_matches(word.lower(), lowered, n=1) for word in theirs}
    return {word: lowered[found[0]] if found else "" for word, found in near.items()}


def settings_text(suggestions: Mapping[str, Suggestion]) -> str:
    """Return a commented fleetbelt.toml from the suggestions by file name."""
    lines = [
        "# How these files are read. Lines that begin with # are to be decided:",
        "# complete or delete them, then take the # away.",
    ]
    for file, suggestion in suggestions.items():
        if not suggestion.is_empty:
            lines += ["", "[[file]]", f"name = {_quoted(file)}"]
            lines += _file_lines(suggestion)
    return "\n".join(lines) + "\n"


def _file_lines(suggestion: Suggestion) -> list[str]:
    lines = []
    if suggestion.date_form:
        lines.append('# date_form = "DMY"  # or "MDY": its dates fit both')
    if suggestion.decimal_comma:
        lines.append("# decimal_comma = true  # numbers such as 12,5")
    if suggestion.sheet:
        lines.append('# sheet = ""  # the sheet that holds the records')
    if suggestion.headings:
        lines += ["", "[file.headings]"]
        lines += [_entry(*pair) for pair in suggestion.headings.items()]
    for column, words in suggestion.words.items():
        lines += ["", f"[file.words.{column}]"]
        lines += [_entry(*pair) for pair in words.items()]
    return lines


def _entry(theirs: str, ours: str) -> str:
    entry = f"{_quoted(theirs)} = {_quoted(ours)}"
    return entry if ours else f"# {entry}"


def _quoted(text: str) -> str:
    """Return a text as a TOML string: JSON's escapes are TOML's too."""
    return dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
