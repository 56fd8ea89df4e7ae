"""fleetbelt.toml: a fleet's own settings, checked and frozen.

Every value has a default, so a folder without the file is read as the contract says.
"""

import datetime as dt
import tomllib
from collections.abc import Mapping
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from fleetbelt.contract import INPUTS
from fleetbelt.errors import InputError, PlaceError

SETTINGS_FILE: Final = "fleetbelt.toml"
_FIRST_YEAR, _LAST_YEAR = 1800, 2999  # of dates that are taken in
DateForm = Literal["ISO", "DMY", "MDY"]
Share = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Relative = Annotated[float, Field(ge=1e-4, le=1)]


class _Section(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True
    )


class Measurement(_Section):
    """What a reading is worth; all uncertainties are relative (0.02 = 2 %)."""

    reading_sd: Relative = 0.02  # of one field reading, until the drift model says
    uncalibrated_u: Relative = 0.08  # of the correction of a gauge never calibrated
    default_repeatability: Relative = 0.01  # of a gauge read once per load
    calibration_days: Positive = 365  # from one calibration to the next; assumption
    vibration_frequency_u: Share = 0.01
    vibration_span_u: Share = 0.01
    vibration_mass_u: Share = 0.03
    firm_p: Share = 0.8  # verdict under or over from here
    doubtful_p: Share = 0.2  # verdict doubtful from here

    @model_validator(mode="after")
    def _doubt_ends_where_certainty_begins(self) -> Self:
        if self.doubtful_p >= self.firm_p:
            message = "doubtful_p must be below firm_p"
            raise ValueError(message)
        return self


class Belts(_Section):
    """How records become belts."""

    run_in_recheck_mi: Positive = 1000  # a recheck later is no run-in recheck
    run_in_minutes: NotNegative = 5  # a recheck after less running counts as none
    records_from: dt.date | None = None  # records are complete since this day
    preferred_sources: tuple[str, ...] = ()  # of ranges, the best first


class Watchlist(_Section):
    """Which belts are listed."""

    p_under: Share = 0.2


class Costs(_Section):
    """What one of each costs; assumptions until a fleet fills in its own."""

    planned_replacement: NotNegative = 150
    road_failure: NotNegative = 900
    retension: NotNegative = 40
    complaint_visit: NotNegative = 80


class Plan(_Section):
    """When work falls due, how long it takes and what it costs."""

    retension_p: Annotated[float, Field(gt=0, lt=1)] = 0.10  # P(under) when it is due
    currency: str = "¤"
    costs: Costs = Costs()
    retension_minutes: Positive = 30  # assumption
    replacement_minutes: Positive = 60  # assumption
    weekly_minutes: dict[str, NotNegative] = {}  # of a depot; else those of its records


class Intake(_Section):
    """What the reader will not take in, and what it doubts."""

    refused_share: Share = 0.2  # a file with more refused rows is refused whole …
    refused_share_min_rows: Annotated[int, Field(ge=1)] = 50  # … from this size on
    max_cell_bytes: Annotated[int, Field(ge=1024)] = 2**20
    max_file_bytes: Annotated[int, Field(ge=1024)] = 2**34
    max_miles_per_day: Positive = 1500
    max_odometer_mi: Positive = 3_000_000  # no vehicle has run farther
    min_span_mm: NotNegative = 20  # no accessory drive has a shorter span …
    max_span_mm: Positive = 3000  # … or a longer one

    @model_validator(mode="after")
    def _spans_lie_between(self) -> Self:
        if self.min_span_mm >= self.max_span_mm:
            message = "min_span_mm must be below max_span_mm"
            raise ValueError(message)
        return self


class FileMapping(_Section):
    """How the files of one kind are read: their words for the contract's."""

    name: str  # file name, with * and ?
    table: str = ""  # the contract's table, where the file name does not say
    headings: dict[str, str] = {}  # theirs = ours
    words: dict[str, dict[str, str]] = {}  # our column: theirs = ours
    empty_words: tuple[str, ...] = ()  # cells that mean "not known"
    constants: dict[str, str] = {}  # our column = its value in every row
    date_form: DateForm | None = None
    decimal_comma: bool = False
    thousands: Literal["", ".", ",", " ", "'"] = ""
    separator: Literal["", ",", ";", "\t", "|"] = ""
    encoding: str = ""
    sheet: str = ""  # of a workbook
    skip_top: Annotated[int, Field(ge=0, le=10_000)] = 0  # lines above the heading row
    skip_totals: tuple[
        Annotated[str, Field(min_length=1)], ...
    ] = ()  # first words of rows that are totals

    @field_validator("table")
    @classmethod
    def _is_of_the_contract(cls, table: str) -> str:
        names = [known.name for known in INPUTS]
        if table and table not in names:
            message = f"must be one of {', '.join(names)}"
            raise ValueError(message)
        return table

    @field_validator("encoding")
    @classmethod
    def _is_an_encoding_of_text(cls, encoding: str) -> str:
        if encoding and not _is_of_text(encoding):
            message = "is no encoding of text known here; one is cp1252"
            raise ValueError(message)
        return encoding

    @field_validator("constants", mode="before")
    @classmethod
    def _constants_are_text(cls, constants: object) -> object:
        if not isinstance(constants, Mapping):
            return constants
        if any(isinstance(value, list | Mapping) for value in constants.values()):
            message = "each must be one value"
            raise ValueError(message)
        return {key: str(value) for key, value in constants.items()}

    @model_validator(mode="after")
    def _marks_differ(self) -> Self:
        if self.thousands and self.thousands == ("," if self.decimal_comma else "."):
            message = "thousands and the decimal mark must differ"
            raise ValueError(message)
        return self


def _is_of_text(encoding: str) -> bool:
    """Tell whether an encoding is one of text: idna or rot13 are not."""
    try:
        text = "a,b;\n".encode(encoding).decode(encoding, "backslashreplace")
    except (LookupError, TypeError, ValueError):
        return False
    return text == "a,b;\n"


class Settings(_Section):
    """All settings of one data folder."""

    measurement: Measurement = Measurement()
    belts: Belts = Belts()
    watchlist: Watchlist = Watchlist()
    plan: Plan = Plan()
    intake: Intake = Intake()
    files: tuple[FileMapping, ...] = Field(default=(), alias="file")

    def mapping_of(self, file_name: str) -> FileMapping:
        """Return the first mapping whose name fits; the plain one where none does."""
        lowered = file_name.casefold()
        for mapping in self.files:
            name = mapping.name.casefold()
            if name == lowered or fnmatchcase(lowered, name):
                return mapping
        return FileMapping(name=file_name)


def refuse_odd_day(as_of: dt.date | None) -> None:
    """Refuse a day on which no plan can begin.

    Raises
    ------
    InputError
        It is far from all records.
    """
    if as_of and not _FIRST_YEAR <= as_of.year <= _LAST_YEAR:
        raise InputError(
            what=f"No records are of the year {as_of.year}.",
            where="--as-of",
            fix="name the day on which 'now' stands, as 2024-03-31.",
        )


def load_settings(folder: Path) -> Settings:
    """Read a data folder's settings file; the defaults where there is none.

    Parameters
    ----------
    folder : Path
        The data folder.

    Returns
    -------
    Settings
        Checked and frozen.

    Raises
    ------
    InputError
        The file is no TOML, or a key is unknown or its value wrong: each is named.
    PlaceError
        The file cannot be read.
    """
    path = folder / SETTINGS_FILE
    try:
        text = path.read_text("utf-8-sig")
    except (FileNotFoundError, NotADirectoryError):
        return Settings()
    except UnicodeDecodeError as error:
        raise InputError(
            what=f"The settings are not UTF-8: {error.reason}.",
            where=f"{path}, byte {error.start}",
            fix="save the file as UTF-8.",
        ) from error
    except OSError as error:
        raise PlaceError(
            what=f"The settings cannot be read: {error.strerror}.",
            where=str(path),
            fix="make the file readable.",
        ) from error
    return parse_settings(text, str(path))


def parse_settings(text: str, where: str) -> Settings:
    """Return the settings a TOML text gives; InputError names every wrong key."""
    try:
        return Settings.model_validate(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(
            what=f"The settings are no TOML: {error}.",
            where=where,
            fix="mend that line; a text needs quotes, a list needs brackets.",
        ) from error
    except ValidationError as error:
        problems = [_problem(dict(found)) for found in error.errors()]
        raise InputError(
            what=f"The settings are wrong: {'; '.join(problems)}.",
            where=where,
            fix="mend or delete the keys named; every key has a default.",
        ) from None


def _problem(found: dict[str, Any]) -> str:
    """Return one wrong key as its path and what is wrong with it."""
    path = ""
    for part in found["loc"]:
        path += f"[{part}]" if isinstance(part, int) else f".{part}"
    if found["type"] == "extra_forbidden":
        return f"{path.lstrip('.')} is no key known here"
    message = found["msg"].removeprefix("Value error, ")
    return f"{path.lstrip('.') or 'the file'}: {message}"
