"""The database file: private, in UTC, and never something else by mistake."""

import os
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from fleetbelt.errors import InputError, PlaceError
from fleetbelt.store.database import connect, shut, transaction

HOLD = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1])
print("held", flush=True)
sys.stdin.read()
"""


def test_a_new_database_is_readable_by_its_owner_only(tmp_path: Path):
    with connect(tmp_path / "fleet.duckdb") as connection:
        zone = connection.sql("select current_setting('TimeZone')").fetchall()

    assert zone == [("UTC",)]
    assert (tmp_path / "fleet.duckdb").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("text", ["a,b\n1,2\n", "x", '{"a": 1}'])
def test_a_file_that_is_no_database_is_refused(tmp_path: Path, text: str):
    """The engine itself would open some of these in memory and lose what is written."""
    path = tmp_path / "fleet.csv"
    path.write_text(text)

    with pytest.raises(InputError, match="no fleetbelt database"), connect(path):
        pass

    assert path.read_text() == text


def test_a_folder_is_no_database(tmp_path: Path):
    with pytest.raises(PlaceError, match="folder"), connect(tmp_path):
        pass


def test_a_database_held_by_another_process_says_so(tmp_path: Path):
    path = tmp_path / "fleet.duckdb"
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == b"held\n"

    try:
        with pytest.raises(PlaceError, match=f"PID {holder.pid}"), connect(path):
            pass
    finally:
        holder.communicate()


def test_another_version_of_the_contract_is_refused(tmp_path: Path):
    path = tmp_path / "fleet.duckdb"
    with duckdb.connect(str(path)) as connection:
        connection.execute("create schema results")
        connection.execute(
            "create table results.run_info as "
            "select 'contract_version' as key, '0' as value"
        )

    with pytest.raises(InputError, match="contract version 0"), connect(path):
        pass


def test_a_transaction_that_fails_changes_nothing(tmp_path: Path):
    with connect(tmp_path / "fleet.duckdb") as connection:
        connection.execute("create table t (a integer)")

        with pytest.raises(duckdb.Error), transaction(connection):
            connection.execute("insert into t values (1)")
            connection.execute("insert into nowhere values (1)")

        assert connection.sql("from t").fetchall() == []


@pytest.mark.parametrize(
    "query",
    [
        "from read_csv('{place}/secret.csv')",
        "from '{place}/secret.csv'",
        "select * from read_text('{place}/secret.csv')",
        "select * from glob('{place}/*')",
        "copy t to '{place}/escaped.csv'",
        "copy t to '{place}/out/../escaped.csv'",
        "copy t from '{place}/secret.csv'",
        "export database '{place}/escaped'",
        "attach '{place}/other.duckdb'",
        "install excel",
        "load excel",
        "from read_csv('http://127.0.0.1:9/x.csv')",
        "set enable_external_access = true",
        "set allowed_directories = ['/']",
        "set lock_configuration = false",
        "set temp_directory = '{place}/spilt'",
        "set autoinstall_known_extensions = true",
    ],
)
def test_a_shut_engine_reaches_no_other_file_and_cannot_be_opened(
    tmp_path: Path, query: str
):
    (tmp_path / "secret.csv").write_text("a\n1\n")
    (tmp_path / "out").mkdir()
    with connect(tmp_path / "fleet.duckdb") as connection:
        connection.execute("create table t as select 1 as a")
        shut(connection, tmp_path / "out")

        with pytest.raises((duckdb.Error, RuntimeError)):
            connection.execute(query.format(place=tmp_path))

    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "fleet.duckdb",
        "out",
        "secret.csv",
    ]


def test_a_shut_engine_still_works_spills_and_writes_where_it_may(tmp_path: Path):
    out = tmp_path / "it's out"
    out.mkdir()
    with connect(tmp_path / "fleet.duckdb", memory="80MB") as connection:
        shut(connection, out)
        connection.execute(
            "create table t as select i, hash(i) as h from range(2_000_000) as r (i) "
            "order by h"
        )
        path = str(out / "t.csv").replace("'", "''")

        connection.execute(f"copy (from t limit 2) to '{path}'")
        connection.execute("checkpoint")

    assert len((out / "t.csv").read_text().splitlines()) == 3


def test_a_reader_is_shut_from_the_start_and_may_open_twice(tmp_path: Path):
    path = tmp_path / "fleet.duckdb"
    with connect(path) as connection:
        connection.execute("create table t as select 1 as a")

    with connect(path, read_only=True), connect(path, read_only=True) as second:
        assert second.sql("from t").fetchall() == [(1,)]
        assert second.sql("select current_setting('TimeZone')").fetchall() == [("UTC",)]
        with pytest.raises(duckdb.PermissionException):
            second.execute(f"from read_text('{tmp_path}/*')")


@pytest.mark.skipif(os.name != "posix", reason="modes of files are POSIX")
def test_the_side_files_of_the_database_are_private_too(tmp_path: Path):
    before = os.umask(0o022)
    try:
        with connect(tmp_path / "fleet.duckdb") as connection:
            connection.execute("create table t as select 1 as a")
            modes = {p.name: p.stat().st_mode & 0o777 for p in tmp_path.iterdir()}
        after = os.umask(0o022)
    finally:
        os.umask(before)

    assert modes == {"fleet.duckdb": 0o600, "fleet.duckdb.wal": 0o600}
    assert after == 0o022


def test_the_engine_keeps_to_its_memory(tmp_path: Path):
    with connect(tmp_path / "fleet.duckdb", memory="200MB") as connection:
        limit = connection.sql("select current_setting('memory_limit')").fetchall()
        connection.execute("set threads = 1")

        with pytest.raises(duckdb.OutOfMemoryException):
            connection.execute("select list(range::varchar) from range(10_000_000)")

    assert limit == [("95.3 MiB",)]


@pytest.mark.parametrize(
    ("memory", "engines"),
    [("512 MiB", "256.0 MiB"), ("2GB", "953.6 MiB"), ("100TB", "1.8 GiB")],
)
def test_the_engine_gets_half_and_no_more_than_it_uses_well(
    memory: str, engines: str, tmp_path: Path
):
    with connect(tmp_path / "fleet.duckdb", memory=memory) as connection:
        limit = connection.sql("select current_setting('memory_limit')").fetchall()

    assert limit == [(engines,)]


@pytest.mark.parametrize("memory", ["", "lots", "2", "-1GB", "1GB; select 1", "60 '%"])
def test_what_is_no_amount_of_memory_is_refused(tmp_path: Path, memory: str):
    with (
        pytest.raises(InputError, match="no amount of memory"),
        connect(tmp_path / "fleet.duckdb", memory=memory),
    ):
        pass

    assert not list(tmp_path.iterdir())
