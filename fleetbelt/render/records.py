"""The records page: what was read, refused and doubted."""

from typing import Final

import polars as pl

from fleetbelt.render import words
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Headline,
    Page,
    Section,
    Sentence,
    Table,
    missing,
    sentence,
)

_COUNTS: Final = ("rows_read", "rows_loaded", "rows_quarantined", "rows_duplicate")


def page(frames: Frames) -> Page:
    """Return the records page."""
    return Page(
        name="records",
        title="The records: what was read, refused and doubted",
        lead=("Every row that came in is accounted for, by file and line.",),
        headlines=_headlines(frames),
        sections=(_files(frames), _refused(frames), _doubted(frames)),
    )


def counted(frames: Frames) -> tuple[int, int, int, int] | None:
    """Return rows read, loaded, refused and duplicate over all files."""
    files = frames.get("results.load_files")
    if files is None:
        return None
    read, loaded, refused, double = (int(files[name].sum()) for name in _COUNTS)
    return read, loaded, refused, double


def in_words(frames: Frames) -> Sentence:
    """Say how many rows were read, taken in, refused and seen before."""
    counts = counted(frames)
    if counts is None:
        return ("No file was read.",)
    read, loaded, refused, double = counts
    return sentence(
        "{loaded} of {read} rows read were taken in; {refused} were refused and "
        "{double} were there already.",
        loaded=loaded,
        read=read,
        refused=refused,
        double=double,
    )


def _headlines(frames: Frames) -> tuple[Headline, ...]:
    read, loaded, refused, _ = counted(frames) or (0, 0, 0, 0)
    notes = frames.get("marts.note_codes")
    doubted = 0 if notes is None else int(notes["n"].sum())
    return (
        Headline(
            who="Taken in",
            number=(f"{loaded:,}",),
            words=sentence("of {read} rows read.", read=read),
            href="#files",
        ),
        Headline(
            who="Refused",
            number=(f"{refused:,}",),
            words=("rows, each kept with its file, line, reason and text.",),
            href="#refused",
        ),
        Headline(
            who="Doubted",
            number=(f"{doubted:,}",),
            words=("notes on rows that were kept and used.",),
            href="#doubted",
        ),
    )


def _files(frames: Frames) -> Section:
    question = "Was everything read?"
    files = frames.get("results.load_files")
    if files is None:
        how = "Put the CSV files in one folder and run fleetbelt on it."
        return missing("files", question, "No file was taken in.", how)
    return Section(
        key="files",
        question=question,
        answer=in_words(frames),
        caveat=sentence(
            "Read = taken in + refused + duplicate, for every file. Replaced rows are "
            "part of those taken in: a later file gave the same key other content."
        ),
        table=Table(
            frame=files.sort("table_name", "file"),
            columns=(
                Column(name="file", label="File"),
                Column(name="table_name", label="Table"),
                Column(name="rows_read", label="Rows read", kind="count"),
                Column(name="rows_loaded", label="Taken in", kind="count"),
                Column(name="rows_quarantined", label="Refused", kind="count"),
                Column(name="rows_duplicate", label="Duplicate", kind="count"),
                Column(name="rows_superseded", label="Replaced later", kind="count"),
            ),
            is_open=True,
        ),
        method="method-records",
    )


def _refused(frames: Frames) -> Section:
    question = "What was refused, and how is it mended?"
    reasons = frames.get("marts.quarantine_reasons")
    if reasons is None:
        if frames.get("results.quarantine") is None:
            return Section(
                key="refused", question=question, answer=("Nothing was refused.",)
            )
        how = "The file tables/quarantine.csv lists every refused row."
        return missing("refused", question, "The reasons were not counted.", how)
    frame = reasons.sort(["n", "file", "reason"], descending=[True, False, False])
    frame = frame.with_columns(
        words=_spelled("reason"),
        mend=pl.col("reason").replace_strict(
            dict(words.REFUSALS), default=words.REFUSALS_FALLBACK
        ),
        raw=pl.col("example_raw").str.slice(0, 300),
    )
    top = frame.row(0, named=True)
    return Section(
        key="refused",
        question=question,
        answer=sentence(
            "The commonest reason is '{words}', {n} times in {file}.",
            words=top["words"],
            n=top["n"],
            file=top["file"],
        ),
        caveat=sentence(
            "A row with several reasons is counted under each. A refused row is in no "
            "number of any page."
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="file", label="File"),
                Column(name="table_name", label="Table"),
                Column(name="words", label="Reason"),
                Column(name="n", label="Rows", kind="count"),
                Column(name="mend", label="How to mend it"),
                Column(name="example_line", label="Example: line", kind="count"),
                Column(name="raw", label="Example: text as read"),
            ),
            selects=("table_name",),
            is_open=True,
        ),
        method="method-records",
    )


def _doubted(frames: Frames) -> Section:
    question = "What was kept but is doubtful?"
    notes = frames.get("marts.note_codes")
    if notes is None:
        return Section(
            key="doubted", question=question, answer=("Nothing was doubted.",)
        )
    frame = notes.sort(["n", "table_name", "code"], descending=[True, False, False])
    frame = frame.with_columns(
        words=_spelled("code"),
        meaning=pl.col("code").replace_strict(
            dict(words.NOTES), default=words.NOTES_FALLBACK
        ),
    )
    return Section(
        key="doubted",
        question=question,
        answer=sentence(
            "{n} notes of {kinds} kinds; the commonest is '{top}'.",
            n=int(frame["n"].sum()),
            kinds=frame["code"].n_unique(),
            top=frame["words"][0],
        ),
        caveat=("These rows are in the numbers, treated as the note says.",),
        table=Table(
            frame=frame,
            columns=(
                Column(name="table_name", label="Table"),
                Column(name="words", label="Note"),
                Column(name="n", label="Rows", kind="count"),
                Column(name="meaning", label="What it means"),
                Column(name="example_key", label="Example"),
                Column(name="example_detail", label="Its detail"),
            ),
            is_open=True,
        ),
        method="method-records",
    )


def _spelled(column: str) -> pl.Expr:
    return pl.col(column).str.replace_all("_", " ", literal=True)
