"""The files of one load on their way into schema raw."""

from collections.abc import Collection
from datetime import datetime

import duckdb

from fleetbelt.ingest.adding import (
    ENGINE_FROM_BYTES,
    Target,
    add_by_engine,
    is_for_engine,
)
from fleetbelt.ingest.casts import Form
from fleetbelt.ingest.date_forms import date_order
from fleetbelt.ingest.folder import Source
from fleetbelt.ingest.ledger import Understood, forget, reading
from fleetbelt.ingest.opening import Opened, open_csv
from fleetbelt.ingest.snapshot import Snapshot
from fleetbelt.ingest.workbook import open_workbook
from fleetbelt.settings import Settings


class Batch:
    """One load: gives numbers to its files and adds their rows.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction, with schema raw in place.
    settings : Settings
        How files are to be read.
    now : datetime
        Time of the load, UTC.
    careful : collection of str
        Files the engine's reader must not read.
    """

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection,
        settings: Settings,
        now: datetime,
        careful: Collection[str] = (),
    ) -> None:
        self._connection, self._settings = connection, settings
        self._now = now.replace(tzinfo=None, microsecond=0)
        self._careful = careful
        rows = connection.sql(
            "select coalesce(max(load_id), 0) + 1, coalesce(max(file_id), 0) + 1 "
            "from raw.files"
        ).fetchall()
        self.load_id, self.next_file_id = rows[0]
        self.file_ids: dict[str, int] = {}  # by file name; known files have theirs
        self.new_file_ids: list[int] = []
        self.read_anew: list[str] = []

    def add(self, source: Source, snapshot: Snapshot) -> None:
        """Add a file's rows and its entry in the ledger, unless its content is known.

        Known content comes without a copy. With one it is read anew: it keeps its
        number and its load, so that later corrections of its rows stay later.

        Raises
        ------
        InputError
            It is no table of the contract, or its dates fit two forms.
        EngineDoubt
            It must be read carefully, after a rollback.
        """
        known = self._connection.execute(
            "select file_id, load_id, loaded_at from raw.files where sha256 = ?",
            [snapshot.sha256],
        ).fetchall()
        if known and (not snapshot.parts or known[0][0] in self.new_file_ids):
            self.file_ids[source.file] = known[0][0]
            return
        if known:
            ((file_id, load_id, loaded_at),) = known
            forget(self._connection, [file_id])
            self.read_anew.append(source.file)
        else:
            file_id, load_id, loaded_at = self.next_file_id, self.load_id, self._now
            self.next_file_id += 1
        opened = self._opened(source, snapshot)
        n_rows = self._add_rows(opened, file_id)
        understood = self._understood(opened, file_id)
        self._connection.execute(
            "insert into raw.files values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                file_id,
                load_id,
                source.file,
                snapshot.sha256,
                source.table.name,
                n_rows,
                loaded_at,
                loaded_at.date(),
                understood.as_json(),
                "; ".join(opened.layout.extras) or None,
            ],
        )
        self.file_ids[source.file] = file_id
        self.new_file_ids.append(file_id)

    def _opened(self, source: Source, snapshot: Snapshot) -> Opened:
        opener = open_workbook if snapshot.is_workbook else open_csv
        return opener(source, snapshot, self._settings)

    def _add_rows(self, opened: Opened, file_id: int) -> int:
        source, snapshot = opened.source, opened.snapshot
        target = Target(
            connection=self._connection,
            table=source.table,
            file_id=file_id,
            layout=opened.layout,
            constants=source.mapping.constants,
        )
        by_engine = (
            is_for_engine(opened)
            and snapshot.n_bytes >= ENGINE_FROM_BYTES
            and not source.mapping.skip_totals
            and source.file not in self._careful
        )
        if by_engine:
            return add_by_engine(target, opened, self._settings.intake.max_cell_bytes)
        return target.add(opened.rows())

    def _understood(self, opened: Opened, file_id: int) -> Understood:
        source, mapping = opened.source, opened.source.mapping
        order = date_order(self._connection, source, file_id)
        form = Form(
            date_form=order.form,
            decimal_comma=mapping.decimal_comma,
            thousands=mapping.thousands,
            empty_words=mapping.empty_words,
            words=mapping.words,
        )
        return Understood(
            encoding=opened.snapshot.encoding,
            separator=opened.separator,
            sheet=opened.sheet,
            heading_line=opened.layout.line,
            titles=opened.titles,
            columns=opened.layout.headings,
            headings=opened.layout.renamed,
            constants=mapping.constants,
            form=form,
            date_form_from=order.reason,
            read_by=reading(source, self._settings.intake),
        )
