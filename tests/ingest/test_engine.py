"""The engine's reader: taken only where it read exactly what the careful one reads."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleetbelt.contract import input_table
from fleetbelt.ingest import batch, snapshot
from fleetbelt.ingest.adding import EngineDoubt, Target, add_by_engine, is_for_engine
from fleetbelt.ingest.folder import Source
from fleetbelt.ingest.ledger import create_raw
from fleetbelt.ingest.opening import open_csv
from fleetbelt.ingest.snapshot import take
from fleetbelt.settings import FileMapping, Intake, Settings
from tests.ingest.folders import HEADINGS, folder, rows, service, taken_in

VEHICLES = "vehicle_id,model,drive_id,depot,colour"


class Reader:
    """Reads one file both ways into a database of its own."""

    def __init__(self, connection, place: Path) -> None:
        self.connection, self.place = connection, place
        create_raw(connection)

    def both(self, text: str):
        """Rows by the engine (None: in doubt) and rows and refusals with care."""
        path = self.place / "vehicles.csv"
        path.write_bytes(text.encode())
        source = Source(
            path=path,
            file=path.name,
            table=input_table("vehicles"),
            mapping=FileMapping(name="*"),
        )
        opened = open_csv(source, take(source, self.place, Intake()), Settings())
        target = Target(
            connection=self.connection,
            table=source.table,
            file_id=1,
            layout=opened.layout,
            constants={},
        )
        if not is_for_engine(opened):
            return None, ()
        by_engine = self._rows(lambda: add_by_engine(target, opened, 2**20))
        return by_engine, self._rows(lambda: target.add(opened.rows()))

    def _rows(self, add):
        self.connection.execute("begin")
        try:
            add()
            return (
                rows(self.connection, "from raw.vehicles"),
                rows(self.connection, "from raw.malformed"),
            )
        except EngineDoubt:
            return None
        finally:
            self.connection.execute("rollback")


@pytest.fixture
def reader(database, tmp_path, monkeypatch):
    """A reader of private copies in many parts."""
    monkeypatch.setattr(snapshot, "_CHUNK", 48)
    monkeypatch.setattr(snapshot, "PART_BYTES", 24)
    return Reader(database, tmp_path)


CELL = st.sampled_from(
    [
        *["", "a", "b1", " ", " a ", "\t", "\ta", "é", "\u00a0", "\u00a0a", "a\u200b"],
        *['"a"', ' "a" ', '"a,b"', '"a ""b"" "', '""', '"\t"', '"a"\t', '\u00a0"a"'],
        *['"', 'a"b', 'a"', '"a', '"a"b', '""a', '"a\nb"', "'", "'a", "\\", '"\\"'],
        *[' "q" ""', '"""" "q" ', ' "q" "q"', '\t""""', '\t" q "', '"q" x'],
        *["#", "NULL", "a;b", "=1", "\v", "a\fb", "a\rb", "\ufeff", "a b", "a,b"],
    ]
)
LINE = st.lists(CELL, min_size=5, max_size=5).map(",".join)


@settings(
    max_examples=200,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(lines=st.lists(LINE, min_size=1, max_size=4))
def test_where_the_engine_is_sure_it_read_what_the_careful_reader_reads(reader, lines):
    by_engine, with_care = reader.both("\n".join([VEHICLES, *lines]))

    assert by_engine in (None, with_care)


@pytest.mark.parametrize(
    "cell", ['\t "q" \ufeff', ' "q" ""', '"""" "q" ', '"q"  "q"', '\t""""', '\t" q "']
)
@pytest.mark.parametrize("place", [0, 1, 30, 47])
def test_marks_that_the_engine_takes_as_it_likes_are_read_with_care(
    reader, cell, place
):
    line = f"V{'1' * place},{cell},D1,N,\n"

    by_engine, with_care = reader.both(f"{VEHICLES}\n{line}V2,C,D1,N,\n")

    assert by_engine is None
    assert with_care == ()


def test_quoted_cells_between_tabs_are_for_the_engine(reader):
    text = f"{VEHICLES}\nV1,M,D1,N,\n".replace(",", '"\t"')

    by_engine, with_care = reader.both("\n".join(f'"{x}"' for x in text.splitlines()))

    assert by_engine == with_care
    assert by_engine[0][0][2:6] == ("V1", "M", "D1", "N")


def test_the_engine_is_sure_of_a_plain_file(reader):
    lines = [f'V{n},"M, {n}",D1, N ,\n' for n in range(3)]

    by_engine, with_care = reader.both(f"{VEHICLES}\n{''.join(lines)}")

    assert by_engine == with_care
    assert by_engine[0][0][2:6] == ("V0", "M, 0", "D1", "N")


@pytest.mark.parametrize(
    "bad",
    [
        'V9,"open,D1,N,\n',
        "V9,M,D1\n",
        'V9,"two\nlines",D1,N,\n',
        "\n",
        'V9,"a"b,D1,N,\n',
        "V9," + "x" * 2**21 + ",D1,N,\n",
    ],
)
def test_the_engine_is_in_doubt_about_any_other(reader, bad):
    good = "V1,M,D1,N,\n"

    by_engine, (records, malformed) = reader.both(f"{VEHICLES}\n{good}{bad}{good}")

    assert by_engine is None
    assert len(records) + len(malformed) == 2 + (bad != "\n")


def test_a_load_begins_again_with_care_for_a_file_in_doubt(
    database, tmp_path, monkeypatch
):
    monkeypatch.setattr(batch, "ENGINE_FROM_BYTES", 0)
    services = f'{HEADINGS}\n{service("A1")}A2,"x\n{service("A3")}'

    taken_in(database, folder(tmp_path / "a", services=services))

    assert rows(database, "select service_id from typed.services order by line") == [
        ("A1",),
        ("A3",),
    ]
    assert rows(database, "select line, reason from typed.refusals") == [
        (3, "open_quote")
    ]


@pytest.mark.parametrize("threads", [1, 8])
def test_large_files_go_to_the_engine_and_keep_their_lines(
    database, tmp_path, monkeypatch, threads
):
    read = []

    def reading(target, opened, max_line_bytes):
        read.append(opened.source.file)
        return add_by_engine(target, opened, max_line_bytes)

    monkeypatch.setattr(batch, "add_by_engine", reading)
    monkeypatch.setattr(snapshot, "PART_BYTES", 2**20)
    database.execute(f"set threads = {threads}")
    lines = [f"N{n},M,D1,N,{'x' * 60}\n" for n in range(60_000)]
    vehicles = f"{VEHICLES}\n{''.join(lines)}"

    taken_in(database, folder(tmp_path / "a", vehicles=vehicles), accept_refusals=True)

    assert read == ["vehicles.csv"]
    assert rows(
        database,
        "select count(*) from raw.vehicles "
        "where line = substr(vehicle_id, 2)::bigint + 2",
    ) == [(60_000,)]
