"""The database file: private, in UTC, and never something else by mistake."""

import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from fleetbelt.errors import InputError, PlaceError
from fleetbelt.store.database import connect, transaction

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
    with pytest.raises(InputError, match="folder"), connect(tmp_path):
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
