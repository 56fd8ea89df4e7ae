"""What changed since the last run on this database that had other inputs."""

from typing import Final

import polars as pl

from fleetbelt.render import words
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Section,
    Sentence,
    Table,
    missing,
    sentence,
)
from fleetbelt.render.story import place

QUESTION: Final = "What changed since the last run?"
_FIRST: Final = "This is the first run on this database."
_HOW: Final = (
    "Run again into the same folder with newer files or a later --as-of; what came "
    "onto the watchlist and what left it stands here then."
)
_BECAUSE: Final = {
    "read_again": "fitted, read or set since",
    "belt_off": "the belt runs no more",
    "same_readings": "no new reading: its miles, a setting or the model moved",
}


def is_compared(frames: Frames) -> bool:
    """Tell whether there was a run on other inputs before this one."""
    return bool(frames.fact("compared_with_as_of"))


def in_words(frames: Frames) -> Sentence:
    """Say what is new and what is gone, against which run."""
    if not is_compared(frames):
        return (_FIRST,)
    new, gone = _counted(frames, "results.watchlist_changes")
    files, taken_back = _counted(frames, "marts.file_changes")
    return sentence(
        "Against the last run, as of {day}: {new} belts are new on the watchlist and "
        "{gone} are gone from it; {files} files are new{back}.",
        day=frames.fact("compared_with_as_of"),
        new=new,
        gone=gone,
        files=files,
        back=f" and {taken_back:,} were taken back" if taken_back else "",
    )


def _counted(frames: Frames, name: str) -> tuple[int, int]:
    table = frames.get(name)
    if table is None:
        return 0, 0
    return tuple(table.filter(change=side).height for side in ("new", "gone"))  # type: ignore[return-value]


def new_on_watchlist(frames: Frames) -> pl.DataFrame:
    """Return the belts that the last run's watchlist did not have."""
    table = frames.get("results.watchlist_changes")
    if table is None:
        return pl.DataFrame(schema={"belt_id": pl.String, "since": pl.String})
    return table.filter(change="new").select("belt_id", since="change")


def watchlist_changes(frames: Frames) -> Section:
    """List the belts that came onto the watchlist and those that left it."""
    if not is_compared(frames):
        return missing("changes", QUESTION, _FIRST, _HOW)
    table = frames.get("results.watchlist_changes")
    if table is None:
        return Section(key="changes", question=QUESTION, answer=in_words(frames))
    frame = frames.of_vehicles(table, "model", "duty").join(
        _records(frames),
        left_on="last_service_id",
        right_on="service_id",
        how="left",
        maintain_order="left",
    )
    certain = pl.coalesce("p_under_now", "p_under_before")
    return Section(
        key="changes",
        question=QUESTION,
        answer=in_words(frames),
        caveat=sentence(
            "A run with the same files, settings and as-of date is no new run: this "
            "compares with the last one that differed."
        ),
        table=Table(
            frame=frame.sort(
                pl.col("change") != "new", certain, "belt_id",
                descending=[False, True, False], nulls_last=True,
            ),
            columns=_COLUMNS,
            selects=("change", "because"),
            is_open=True,
            file="watchlist_changes.csv",
        ),
        method="method-changes",
    )  # fmt: skip


_COLUMNS: Final = (
    Column(name="change", label="Watchlist", words={"new": "new", "gone": "gone"}),
    Column(name="vehicle_id", label="Vehicle"),
    Column(name="belt_id", label="Belt", is_shown=False),
    Column(name="depot", label="Depot"),
    Column(name="model", label="Model"),
    Column(name="duty", label="Duty", is_shown=False),
    Column(name="because", label="What happened", words=_BECAUSE),
    Column(
        name="reason",
        label="Reason of being on it",
        words={code: reason.label for code, reason in words.WATCH_REASONS.items()},
    ),
    Column(name="p_under_before", label="Chance of being under, then", kind="chance"),
    Column(name="p_under_now", label="Now", kind="chance"),
    Column(name="place", label="Record"),
)


def _records(frames: Frames) -> pl.DataFrame:
    """Return file and line of the records that changes point at."""
    records = frames.get("pages.watched_records")
    if records is None:
        return pl.DataFrame(schema={"service_id": pl.String, "place": pl.String})
    return records.select("service_id", place=place())
