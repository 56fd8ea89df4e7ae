"""What was read, refused, replaced and doubted."""

from typing import Final

from fleetbelt.contract.tables import (
    Table,
    integer,
    text,
    timestamp,
)

RECORDS: Final[tuple[Table, ...]] = (
    Table(
        name="run_info",
        row="a fact of this run",
        key=("key",),
        columns=(
            text("key!", "name of the fact"),
            text("value", "the fact, as text"),
        ),
    ),
    Table(
        name="load_files",
        row="a file taken in",
        key=("file", "sha256"),
        columns=(
            text("file!", "name as given"),
            text("sha256!", "of its bytes"),
            text("table_name!", "the table it fed"),
            integer("rows_read!", "records in it"),
            integer("rows_loaded!", "rows taken in"),
            integer("rows_quarantined!", "rows refused"),
            integer("rows_duplicate!", "rows already known"),
            integer("rows_superseded!", "of the loaded, later replaced"),
            timestamp("loaded_at!", "time of the load, UTC"),
            text("unknown_columns", 'headings kept aside, joined by "; "'),
        ),
    ),
    Table(
        name="quarantine",
        row="a row refused",
        key=("sha256", "line"),
        columns=(
            text("file!", "the file"),
            integer("line!", "physical line, header = 1"),
            text("table_name!", "the table it was meant for"),
            text("column_name", "column of the first reason"),
            text("reason!", 'codes joined by "; "'),
            text("raw", "the row as text"),
            text("sha256!", "of the file's bytes: tells files of one name apart"),
        ),
    ),
    Table(
        name="superseded",
        row="a row replaced by a later file",
        key=("sha256", "line"),
        columns=(
            text("table_name!", "the table"),
            text("key!", "its key"),
            text("file!", "the file it came from"),
            integer("line!", "its physical line"),
            text("by_file!", "the file that replaced it"),
            text("raw", "the row as text"),
            text("sha256!", "of the bytes of the file it came from"),
            text("by_sha256!", "of the bytes of the file that replaced it"),
        ),
    ),
    Table(
        name="data_notes",
        row="something doubtful about a row that was kept",
        key=("table_name", "key", "code"),
        columns=(
            text("table_name!", "the table"),
            text("key!", "key of the row"),
            text("code!", "what is doubtful"),
            text("detail", "in words"),
            text("file", "the file of the row"),
            integer("line", "its physical line, header = 1"),
        ),
    ),
)
