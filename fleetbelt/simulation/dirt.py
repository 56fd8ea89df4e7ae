"""Honest dirt: the mistakes that real exports hold, planted and listed.

Each row gets at most one mistake. ``fate`` says what the contract makes of it:
`refused` (quarantined), `duplicate`, or `doubtful` (kept, and doubted where a rule
sees it).
"""

from typing import Final, NamedTuple

import polars as pl

from fleetbelt.simulation.tables import Rng

Frames = dict[str, pl.DataFrame]
REFUSED, DUPLICATE, DOUBTFUL = "refused", "duplicate", "doubtful"
PLANTED: Final = pl.Schema(
    {
        "kind": pl.String(),  # of the mistake
        "file": pl.String(),  # table, without .csv
        "line": pl.Int64(),  # physical line, the header is 1
        "key": pl.String(),  # the row's key, its parts joined by |
        "column": pl.String(),  # where the mistake stands; null: the whole row
        "fate": pl.String(),
    }
)
KEYS: Final = {
    "services": ("service_id",),
    "complaints": ("complaint_id",),
    "odometers": ("vehicle_id", "date", "odometer_mi"),
    "repairs": ("repair_id",),
    "calibrations": ("gauge_id", "date", "span_mm", "reference", "run"),
}
EACH: Final = 2  # rows of each kind


def _times(column: str, factor: float) -> pl.Expr:
    value = pl.col(column).cast(pl.Float64) * factor
    return value.round(1).cast(pl.String)


def _less(column: str, less: int) -> pl.Expr:
    return (pl.col(column).cast(pl.Int64) - less).cast(pl.String)


def _is(column: str, word: str) -> pl.Expr:
    return pl.col(column).eq_missing(pl.lit(word))


def _has(column: str) -> pl.Expr:
    return pl.col(column).is_not_null()


class Mistake(NamedTuple):
    """A cell written wrongly: in rows that fit `where` it becomes `becomes`."""

    kind: str
    file: str
    column: str
    becomes: pl.Expr
    fate: str
    where: pl.Expr = pl.lit(value=True)


_word = pl.lit
_NOTHING: Final = pl.lit(None, dtype=pl.String)
_SET: Final = _is("action", "retension") & _has("reading_left")
_SET_LBF: Final = _SET & _is("reading_unit", "lbf")
_SEEN: Final = _is("action", "inspect")
_MI: Final = pl.col("odometer_mi").cast(pl.Int64)
# so far back that the two rows before it contradict it
_IS_SEEN_BEFORE: Final = (_MI.shift(2).over("vehicle_id") > _MI - 55_000) & (
    _MI > 60_000
)
_FITTED: Final = _is("action", "install") & _has("reading_left")
_TAKEN_OFF: Final = _is("action", "install") & _has("removal_reason")
_SLASHED: Final = pl.col("date").str.replace(r"(\d+)-(\d+)-(\d+)", "$3/$2/$1")

# fmt: off
MISTAKES: Final = (
    Mistake("odometer_backwards", "services", "odometer_mi",
            _less("odometer_mi", 55_000), REFUSED, _SEEN & _IS_SEEN_BEFORE),
    Mistake("negative_odometer", "services", "odometer_mi",
            _word("-12"), REFUSED, _SEEN),
    Mistake("missing_odometer", "services", "odometer_mi", _NOTHING, REFUSED, _SEEN),
    Mistake("text_in_number", "services", "reading_left", _word("ok"), REFUSED, _SET),
    Mistake("decimal_comma", "services", "reading_left",
            pl.col("reading_left").str.replace(".", ",", literal=True), REFUSED, _SET),
    Mistake("unit_slip", "services", "reading_left",
            _times("reading_left", 4.45), DOUBTFUL, _SET_LBF),
    Mistake("wrong_unit_word", "services", "reading_unit",
            _word("N"), DOUBTFUL, _SET_LBF),
    Mistake("span_in_inches", "services", "span_mm",
            _times("span_mm", 1 / 25.4), DOUBTFUL, _SET & _has("span_mm")),
    Mistake("unknown_vehicle", "services", "vehicle_id",
            _word("V-990017"), REFUSED, _SEEN),
    Mistake("unknown_drive", "services", "drive_id", _word("C9-X"), DOUBTFUL, _SEEN),
    Mistake("unknown_gauge", "services", "gauge_id",
            _word("G-977"), DOUBTFUL, _SET & _has("gauge_id")),
    Mistake("impossible_date", "services", "date", _word("2023-02-30"), REFUSED, _SEEN),
    Mistake("other_date_form", "services", "date", _SLASHED, REFUSED, _SEEN),
    Mistake("date_in_future", "services", "date", _word("2091-03-14"), REFUSED, _SEEN),
    Mistake("missing_technician", "services", "technician_id",
            _NOTHING, REFUSED, _SEEN),
    Mistake("unknown_action", "services", "action", _word("tightened"), REFUSED, _SEEN),
    Mistake("recheck_too_early", "services", "run_minutes",
            _word("2"), DOUBTFUL, _is("action", "recheck")),
    Mistake("used_range_at_install", "services", "spec_applied",
            _word("used"), DOUBTFUL, _FITTED & _is("spec_applied", "new")),
    Mistake("new_range_on_used_belt", "services", "spec_applied",
            _word("new"), DOUBTFUL, _SET & _is("spec_applied", "used")),
    Mistake("missing_removal_reason", "services", "removal_reason",
            _NOTHING, DOUBTFUL, _TAKEN_OFF),
    Mistake("unknown_noise", "complaints", "noise", _word("sqeal"), REFUSED),
    Mistake("unknown_vehicle", "complaints", "vehicle_id", _word("V-990018"), REFUSED),
    Mistake("odometer_backwards", "odometers", "odometer_mi",
            _less("odometer_mi", 55_000), REFUSED, _IS_SEEN_BEFORE),
    Mistake("text_in_number", "odometers", "odometer_mi", _word("see card"), REFUSED),
    Mistake("unknown_accessory", "repairs", "accessory", _word("fan"), REFUSED),
    Mistake("unknown_unit", "calibrations", "unit", _word("lbs"), REFUSED),
)
# fmt: on


def no_dirt() -> pl.DataFrame:
    """Return the list of a fleet without dirt."""
    return pl.DataFrame(schema=PLANTED)


def plant_dirt(rng: Rng, frames: Frames) -> tuple[Frames, pl.DataFrame]:
    """Plant every kind of mistake, two rows of each where the files have them.

    Parameters
    ----------
    rng : numpy.random.Generator
        Chooses the rows.
    frames : dict of str to pl.DataFrame
        Clean tables by name.

    Returns
    -------
    tuple of (dict of str to pl.DataFrame, pl.DataFrame)
        The tables as text, and what was planted, as `PLANTED` says.
    """
    texts = {name: frame.cast(pl.String) for name, frame in frames.items()}
    planted = [no_dirt()]
    spoilt: dict[str, list[int]] = {name: [] for name in texts}
    for mistake in MISTAKES:
        rows = _free_rows(rng, texts[mistake.file], mistake.where, spoilt[mistake.file])
        spoilt[mistake.file] += rows
        texts[mistake.file] = _spoil(texts[mistake.file], mistake, rows)
        planted.append(
            _listed(
                texts, mistake.kind, mistake.file, rows, mistake.column, mistake.fate
            )
        )
    for table in ("services", "odometers"):
        rows = _free_rows(rng, texts[table], pl.lit(value=True), spoilt[table])
        spoilt[table] += rows
        texts[table], again = _repeat(texts[table], rows)
        planted.append(_listed(texts, "exact_duplicate", table, again, None, DUPLICATE))
    rows = _free_rows(rng, texts["services"], _SEEN, spoilt["services"])
    texts["services"], again = _repeat(texts["services"], rows)
    conflict = Mistake("", "services", "note", _word("entered twice"), REFUSED)
    texts["services"] = _spoil(texts["services"], conflict, again)
    planted.append(
        _listed(texts, "conflicting_key", "services", rows + again, None, REFUSED)
    )
    return texts, pl.concat(planted)


def _free_rows(
    rng: Rng, frame: pl.DataFrame, where: pl.Expr, spoilt: list[int]
) -> list[int]:
    """Choose rows that fit and hold no mistake yet."""
    index = pl.int_range(pl.len())
    free = frame.select(index.filter(where & ~index.is_in(spoilt))).to_series()
    chosen = rng.choice(free.to_numpy(), size=min(EACH, free.len()), replace=False)
    return sorted(int(row) for row in chosen)


def _spoil(frame: pl.DataFrame, mistake: Mistake, rows: list[int]) -> pl.DataFrame:
    is_hit = pl.int_range(pl.len()).is_in(rows)
    spoilt = pl.when(is_hit).then(mistake.becomes).otherwise(pl.col(mistake.column))
    return frame.with_columns(spoilt.alias(mistake.column))


def _repeat(frame: pl.DataFrame, rows: list[int]) -> tuple[pl.DataFrame, list[int]]:
    """Write some rows again at the end; return where they stand now."""
    again = range(frame.height, frame.height + len(rows))
    return pl.concat([frame, frame[rows]]), list(again)


def _listed(
    texts: Frames, kind: str, table: str, rows: list[int], column: str | None, fate: str
) -> pl.DataFrame:
    key = pl.concat_str(KEYS[table], separator="|", ignore_nulls=True)
    return texts[table][rows].select(
        kind=pl.lit(kind),
        file=pl.lit(table),
        line=pl.Series(rows, dtype=pl.Int64) + 2,
        key=key,
        column=pl.lit(column, dtype=pl.String),
        fate=pl.lit(fate),
    )
