"""The records page: what was read, refused and doubted."""

from typing import Final

import polars as pl

from fleetbelt.render import changes, words
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Headline,
    Page,
    Quantity,
    Section,
    Sentence,
    Table,
    missing,
    sentence,
)
from fleetbelt.render.story import place

_ROWS_SHOWN: Final = 100
_COUNTS: Final = ("rows_read", "rows_loaded", "rows_quarantined", "rows_duplicate")


def page(frames: Frames) -> Page:
    """Return the records page."""
    return Page(
        name="records",
        title="The records: what was read, refused and doubted",
        lead=("Every row that came in is accounted for, by file and line.",),
        headlines=_headlines(frames),
        sections=(
            _files(frames),
            _refused(frames),
            *_refused_rows(frames),
            _replaced(frames),
            _doubted(frames),
            *_lost(frames),
        ),
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
            method="method-records",
        ),
        Headline(
            who="Refused",
            number=(f"{refused:,}",),
            words=("rows, each kept with its file, line, reason and text.",),
            href="#refused",
            method="method-records",
        ),
        Headline(
            who="Doubted",
            number=(f"{doubted:,}",),
            words=("notes on rows that were kept and used.",),
            href="#doubted",
            method="method-records",
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
            "part of those taken in: a later file gave the same key other content. Of "
            "files of one name the beginning of their hash is shown."
        ),
        table=Table(
            frame=_told_apart(frames, _with_change(frames, files)).sort(
                "table_name", "file", "sha256"
            ),
            columns=(
                Column(name="file", label="File"),
                Column(name="table_name", label="Table"),
                Column(name="rows_read", label="Rows read", kind="count"),
                Column(name="rows_loaded", label="Taken in", kind="count"),
                Column(name="rows_quarantined", label="Refused", kind="count"),
                Column(name="rows_duplicate", label="Duplicate", kind="count"),
                Column(name="rows_superseded", label="Replaced later", kind="count"),
                Column(
                    name="unknown_columns",
                    label="Headings kept aside",
                    is_shown=files["unknown_columns"].count() > 0,
                ),
                Column(
                    name="change",
                    label="Since the last run",
                    is_shown=changes.is_compared(frames),
                ),
            ),
            is_open=True,
        ),
        method="method-records",
    )


def _with_change(frames: Frames, files: pl.DataFrame) -> pl.DataFrame:
    """Mark the files that the last run on this database did not have."""
    changed = frames.get("marts.file_changes")
    if changed is None:
        return files.with_columns(change=pl.lit(None, dtype=pl.String))
    new = changed.filter(change="new").select("file", "sha256", "change")
    return files.join(new, on=["file", "sha256"], how="left", maintain_order="left")


def _refused(frames: Frames) -> Section:
    question = "What was refused, and how is it mended?"
    reasons = frames.get("marts.quarantine_reasons")
    if reasons is None:
        return Section(
            key="refused", question=question, answer=("Nothing was refused.",)
        )
    frame = _told_apart(frames, reasons).with_columns(words=_spelled("reason"))
    frame = frame.sort(["n", "file", "reason"], descending=[True, False, False])
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
            "number of any page; mend its file and load it again, and it counts."
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="file", label="File"),
                Column(name="table_name", label="Table"),
                Column(name="words", label="Reason"),
                Column(name="n", label="Rows", kind="count"),
                Column(name="sentence", label="What is wrong"),
                Column(name="mend", label="How to mend it"),
                Column(name="setting", label="For all rows at once, in fleetbelt.toml"),
            ),
            selects=("table_name",),
            is_open=True,
        ),
        method="method-records",
    )


def _refused_rows(frames: Frames) -> tuple[Section, ...]:
    rows = frames.get("marts.refused_rows")
    refused = frames.get("results.quarantine")
    if rows is None or refused is None:
        return ()
    frame = (
        _told_apart(frames, rows)
        .sort(
            ["n_reasons", "n_alike", "file", "line"],
            descending=[True, True, False, False],
        )
        .head(_ROWS_SHOWN)
    )
    frame = frame.with_columns(words=_spelled("reason"))
    section = Section(
        key="refused-rows",
        question="Which rows were refused?",
        answer=sentence(
            "{n} of {all} refused rows, those with most reasons first; "
            "tables/quarantine.csv lists every one.",
            n=frame.height,
            all=refused.height,
        ),
        caveat=sentence(
            "Per file and reason the five that come first in the file. The line is "
            "that of an editor, with the headings in line 1 where nothing is above "
            "them; of a workbook it is the row."
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="file", label="File"),
                Column(name="line", label="Line"),
                Column(name="table_name", label="Table"),
                Column(name="column_name", label="Column"),
                Column(name="words", label="Reasons"),
                Column(name="n_alike", label="Rows like it", kind="count"),
                Column(name="raw", label="Text as read"),
            ),
            selects=("table_name", "words"),
            is_open=True,
        ),
        method="method-records",
    )
    return (section,)


def _replaced(frames: Frames) -> Section:
    question = "Which rows did a later file replace?"
    rows = frames.get("results.superseded")
    if rows is None:
        return Section(
            key="replaced", question=question, answer=("No row was replaced.",)
        )
    frame = _told_apart(frames, rows).sort("table_name", "key", "file", "line")
    frame = _told_apart(frames, frame.head(_ROWS_SHOWN), "by_")
    frame = frame.with_columns(raw=pl.col("raw").str.slice(0, 300))
    return Section(
        key="replaced",
        question=question,
        answer=sentence(
            "{n} rows were replaced by a later file with other content for their key.",
            n=rows.height,
        ),
        caveat=sentence(
            "The text is that of the older row, which counts no more. `fleetbelt "
            "unload` takes the later file back, and the older row stands again."
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="table_name", label="Table"),
                Column(name="key", label="Key"),
                Column(name="file", label="Older file"),
                Column(name="line", label="Its line"),
                Column(name="by_file", label="Replaced by"),
                Column(name="raw", label="Text of the older row"),
            ),
            selects=("table_name",),
            note=_not_all(frame.height, rows.height, "superseded"),
        ),
        method="method-records",
    )


def _not_all(n_shown: int, n: int, table: str) -> Sentence:
    if n_shown == n:
        return ()
    return sentence(
        "The first {n_shown} of {n}; tables/{table}.csv lists every one.",
        n_shown=n_shown,
        n=n,
        table=table,
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
        place=place(),
        words=_spelled("code"),
        mend=pl.concat_str(
            "mend",
            pl.format(" In fleetbelt.toml: {}.", "setting").fill_null(""),
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
        caveat=sentence(
            "These rows are in the numbers, treated as the note says. "
            "tables/data_notes.csv lists every one with its file and line."
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="table_name", label="Table"),
                Column(name="words", label="Note"),
                Column(name="n", label="Rows", kind="count"),
                Column(name="sentence", label="What it means"),
                Column(name="mend", label="How to mend it"),
                Column(name="place", label="Example"),
                Column(name="example_key", label="Its key"),
                Column(name="example_detail", label="Its detail"),
            ),
            is_open=True,
        ),
        method="method-records",
    )


def _lost(frames: Frames) -> tuple[Section, ...]:
    losses = frames.get("marts.input_losses")
    if losses is None:
        return ()
    frame = losses.filter(pl.col("n_lost") > 0).sort(
        ["share", "input", "cause"], descending=[True, False, False]
    )
    question = "What share of each model's input was lost?"
    if frame.is_empty():
        return (Section(key="lost", question=question, answer=("None of it.",)),)
    top = frame.row(0, named=True)
    section = Section(
        key="lost",
        question=question,
        answer=sentence(
            "Most: {share} of {input}, {words} ({n_lost} of {n_input}).",
            share=Quantity(value=top["share"], kind="share", digits=1),
            input=words.INPUTS.get(top["input"], top["input"]),
            words=words.LOSSES.get(top["cause"], top["cause"]),
            n_lost=top["n_lost"],
            n_input=top["n_input"],
        ),
        caveat=sentence(
            "A model is no better than what reaches it: where the lost rows are not "
            "like the others, its numbers lean. A line that could not be told apart "
            "into cells counts as a row, and as no reading."
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="input", label="Input", words=words.INPUTS),
                Column(name="cause", label="Lost because", words=words.LOSSES),
                Column(name="n_lost", label="Lost", kind="count"),
                Column(name="n_input", label="Of", kind="count"),
                Column(name="share", label="Share", kind="share", digits=1),
            ),
            is_open=True,
        ),
        method="method-records",
    )
    return (section,)


def _told_apart(frames: Frames, rows: pl.DataFrame, of: str = "") -> pl.DataFrame:
    """Add the beginning of its hash to a file name that several files have."""
    file, sha256 = pl.col(f"{of}file"), pl.col(f"{of}sha256")
    files = frames.get("results.load_files")
    if files is None:
        return rows
    shared = files.filter(pl.col("file").is_duplicated())["file"].unique()
    told = pl.format("{} ({}…)", file, sha256.str.slice(0, 8))
    is_shared = file.is_in(shared.to_list())
    return rows.with_columns(
        pl.when(is_shared).then(told).otherwise(file).alias(f"{of}file")
    )


def _spelled(column: str) -> pl.Expr:
    return pl.col(column).str.replace_all("_", " ", literal=True)
