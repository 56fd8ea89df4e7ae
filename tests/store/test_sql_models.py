"""The headers of the SQL models are a contract, and so are the result tables."""

from dataclasses import replace
from pathlib import Path

import duckdb
import pytest

from fleetbelt.contract import RESULTS
from fleetbelt.errors import StoreError
from fleetbelt.intake import Outcome
from fleetbelt.render.plan_weeks import MOST_JOBS
from fleetbelt.render.story import MOST_ROWS
from fleetbelt.resources import bundled
from fleetbelt.store import sql_models
from fleetbelt.store.database import connect

MODELS = sql_models.discover(bundled("sql"))
ENGINE_TYPES = {
    "text": {"VARCHAR"},
    "date": {"DATE"},
    "integer": {"BIGINT", "INTEGER"},
    "real": {"DOUBLE"},
    "boolean": {"BOOLEAN"},
    "timestamp": {"TIMESTAMP"},
}


@pytest.fixture(scope="module")
def database(sample: Outcome):
    with connect(sample.database, read_only=True) as connection:
        yield connection


def described(database: duckdb.DuckDBPyConnection, table: str) -> dict[str, str]:
    rows = database.execute(f"describe {table}").fetchall()
    return {name: kind for name, kind, *_ in rows}


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
def test_a_model_has_the_columns_its_header_lists(database, model):
    assert list(described(database, model.name)) == list(model.columns)


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
def test_a_model_has_the_types_its_header_lists(database, model):
    found = described(database, model.name)
    listed = dict(sql_models.HEADER_COLUMN.findall(model.sql))

    assert {name: kind.lower() for name, kind in found.items()} == listed


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
def test_a_model_is_unique_on_the_key_its_header_names(database, model):
    key = ", ".join(model.key)
    duplicates = database.sql(
        f"select {key} from {model.name} group by {key} having count(*) > 1"
    )

    assert model.key
    assert duplicates.fetchall() == []


@pytest.mark.parametrize("table", RESULTS, ids=lambda table: table.name)
def test_a_result_table_keeps_to_the_contract(database, table):
    found = described(database, f"results.{table.name}")

    assert list(found) == [column.name for column in table.columns]
    for column in table.columns:
        assert found[column.name] in ENGINE_TYPES[column.type], column.name
        if column.is_required:
            nulls = database.sql(
                f"select count(*) from results.{table.name} "
                f'where "{column.name}" is null'
            )
            assert nulls.fetchall() == [(0,)], column.name
        if column.words:
            words = database.sql(
                f'select distinct "{column.name}" from results.{table.name}'
            ).fetchall()
            assert {word for (word,) in words} - {None} <= set(column.words)


@pytest.mark.parametrize("table", RESULTS, ids=lambda table: table.name)
def test_a_result_table_is_unique_on_its_key(database, table):
    key = ", ".join(f'"{column}"' for column in table.key)
    duplicates = database.sql(
        f"select {key} from results.{table.name} group by {key} having count(*) > 1"
    )

    assert duplicates.fetchall() == []


@pytest.mark.parametrize("table", RESULTS, ids=lambda table: table.name)
def test_a_result_table_stands_in_the_order_of_its_key(database, table):
    """It is given out as it stands."""
    key = ", ".join(f'"{column}"' for column in table.key)
    early = database.sql(
        f"select 1 from (select row({key}) as key, lag(row({key})) over (order by "
        f"rowid) as before from results.{table.name}) where key < before"
    )

    assert early.fetchall() == []


@pytest.mark.parametrize("table", RESULTS, ids=lambda table: table.name)
def test_the_database_says_what_each_result_is(database, table):
    comments = database.execute(
        "select column_name, comment from duckdb_columns() "
        "where schema_name = 'results' and table_name = ?",
        [table.name],
    ).fetchall()
    said = dict(comments)

    for column in table.columns:
        assert said[column.name] == column.meaning


def test_pages_are_given_as_many_records_as_they_show():
    sql = {model.name: model.sql for model in MODELS}

    assert f"n_before < {MOST_ROWS}\n" in sql["pages.story_visits"]
    assert f"place <= {MOST_JOBS}\n" in sql["pages.job_records"]


def test_models_are_ordered_by_what_they_read():
    place = {model.name: number for number, model in enumerate(MODELS)}

    for model in MODELS:
        for table in model.reads & place.keys():
            assert place[table] < place[model.name]


def test_a_model_that_does_not_parse_is_named(tmp_path: Path):
    folder = tmp_path / "marts"
    folder.mkdir()
    (folder / "broken.sql").write_text("-- Broken.\nselect from where\n")

    with pytest.raises(StoreError, match=r"marts/broken\.sql"):
        sql_models.read_model(folder / "broken.sql")


def test_a_model_that_does_not_run_is_named():
    model = sql_models.SqlModel(
        name="marts.broken",
        sql="select missing from nowhere.at_all",
        kind="table",
        meaning="",
        key=(),
        columns={},
        types={},
        reads=frozenset(),
    )

    with duckdb.connect() as connection, pytest.raises(StoreError, match=r"marts\."):
        sql_models.build(connection, [model], "marts")


def test_ids_of_one_row_are_packed_without_looking_for_a_dictionary(tmp_path):
    model = next(model for model in MODELS if model.name == "history.visits")
    few = replace(
        model,
        sql="select 'S' || i as service_id, 'a' as shop from range(200000) as t(i)",
        types={name: model.types[name] for name in ("service_id", "shop")},
        columns={},
    )

    with duckdb.connect(tmp_path / "fleet.duckdb") as connection:
        sql_models.build(connection, [few], "history")
        rows = connection.sql("from history.visits limit 1").fetchall()
        packed = connection.sql(
            "select distinct compression from pragma_storage_info('history.visits') "
            "where column_name = 'service_id' and segment_type = 'VARCHAR'"
        ).fetchall()

    assert rows == [("S0", "a")]
    assert packed == [("ZSTD",)]
