"""SQL models and fits side by side: each starts when what it reads is there."""

import threading
from functools import partial

import duckdb
import polars as pl
import pytest

from fleetbelt.errors import StoreError
from fleetbelt.store.side_by_side import made_beside
from fleetbelt.store.sql_models import SqlModel, tables_read

NONE: frozenset[str] = frozenset()


def model(name: str, sql: str) -> SqlModel:
    return SqlModel(
        name=name,
        sql=sql,
        kind="table",
        meaning="",
        key=(),
        columns={},
        types={},
        reads=tables_read(sql, name),
    )


def numbers(*values: int) -> pl.DataFrame:
    return pl.DataFrame({"n": values})


@pytest.fixture
def connection():
    with duckdb.connect() as connection:
        yield connection


def test_a_model_is_made_once_a_fit_has_written_what_it_reads(connection):
    models = (
        model("marts.twice", "select 2 * n as n from marts.plus"),
        model("marts.plus", "select n + 1 as n from fitted.given"),
    )

    with made_beside(connection, models, NONE) as tables:
        tables.write({"fitted.given": numbers(1, 2)})
        found = tables.read("(select sum(n) as n from marts.twice)")

    assert found["n"].to_list() == [10]


def test_what_is_not_waited_for_is_made_too(connection):
    with made_beside(connection, (model("marts.one", "select 1 as n"),), NONE):
        pass

    assert connection.sql("from marts.one").fetchall() == [(1,)]


def test_without_room_nothing_is_made_that_the_block_does_not_wait_for(connection):
    models = tuple(model(f"marts.m{n}", f"select {n} as n") for n in range(9))
    stand = (
        "(select count(*) as n from duckdb_tables() where schema_name = 'marts'"
        " and table_name <> 'm5')"
    )

    with made_beside(connection, models, NONE, is_roomy=False) as tables:
        counts = [tables.read("marts.m5")["n"].item()]
        counts += [tables.read(stand)["n"].item() for _ in range(99)]

    assert counts == [5, *[0] * 99]
    assert connection.sql("from marts.m8").fetchall() == [(8,)]


def test_what_stands_already_is_not_made_again(connection):
    connection.execute("create schema marts; create table marts.one as select 7 as n")

    with made_beside(
        connection, (model("marts.one", "select 1 as n"),), frozenset({"marts.one"})
    ) as tables:
        found = tables.read("marts.one")

    assert found["n"].to_list() == [7]


def test_a_table_of_the_last_run_is_not_read(connection):
    connection.execute("create schema fitted; create table fitted.given (n int)")
    models = (model("marts.all", "select n from fitted.given"),)

    with made_beside(connection, models, NONE) as tables:
        tables.write({"fitted.given": numbers(3)})

    assert connection.sql("from marts.all").fetchall() == [(3,)]


def test_two_ways_may_wait_for_each_other(connection):
    models = (model("marts.sum", "select a.n + b.n as n from fitted.a, fitted.b"),)
    found = []

    with made_beside(connection, models, NONE) as tables:

        def one() -> None:
            tables.write({"fitted.a": numbers(1)})
            found.append(tables.read("marts.sum")["n"].item())

        def other() -> None:
            given = tables.read("fitted.a")
            tables.write({"fitted.b": given + 1})

        tables.at_once(one, other)

    assert found == [3]


@pytest.mark.parametrize("wanted", ["marts.late", "fitted.never"])
def test_what_nobody_makes_is_named(connection, wanted):
    models = (model("marts.late", "select n from fitted.never"),)

    with (
        pytest.raises(StoreError, match=r"Nothing makes fitted\.never"),
        made_beside(connection, models, NONE) as tables,
    ):
        tables.read(wanted)


def test_ways_that_all_wait_for_nothing_end(connection):
    with (
        pytest.raises(StoreError, match=r"Nothing makes fitted\.(x|y)"),
        made_beside(connection, (), NONE) as tables,
    ):

        def wait(name: str) -> None:
            tables.read(name)

        tables.at_once(
            lambda: None, partial(wait, "fitted.x"), partial(wait, "fitted.y")
        )


def test_a_model_that_cannot_be_made_at_the_end_is_named(connection):
    models = (model("marts.late", "select n from fitted.never"),)

    with (
        pytest.raises(StoreError, match=r"Nothing makes fitted\.never"),
        made_beside(connection, models, NONE),
    ):
        pass


def test_a_model_that_does_not_run_ends_the_block(connection):
    models = (model("marts.broken", "select cast('x' as int) as n"),)

    with (
        pytest.raises(StoreError, match=r"marts\.broken does not run"),
        made_beside(connection, models, NONE) as tables,
    ):
        tables.read("marts.broken")


def test_a_table_is_made_in_one_place(connection):
    with (
        pytest.raises(StoreError, match=r"fitted\.given is made twice"),
        made_beside(connection, (), NONE) as tables,
    ):
        tables.write({"fitted.given": numbers(1)})
        tables.write({"fitted.given": numbers(2)})


def test_an_error_breaks_off_what_is_being_made(connection):
    endless = "select count(*) as n from range(1000000) as a, range(1000000) as b"

    with (
        pytest.raises(KeyboardInterrupt),
        made_beside(connection, (model("marts.endless", endless),), NONE),
    ):
        raise KeyboardInterrupt

    assert connection.sql("select 1").fetchall() == [(1,)]


def test_an_error_on_one_way_ends_the_others(connection):
    with (
        pytest.raises(ZeroDivisionError),
        made_beside(connection, (), NONE) as tables,
    ):

        def fail() -> None:
            raise ZeroDivisionError

        def wait() -> None:
            tables.read("fitted.x")

        tables.at_once(fail, wait)


def test_what_is_made_is_given_out_when_nothing_else_can_be_made(connection):
    models = (
        model("marts.one", "select 1 as n"),
        model("marts.two", "select n + 1 as n from marts.one"),
    )
    given: list[object] = []
    is_done = threading.Event()

    def give(name: str):
        given.append(connection.sql(f"from {name}").fetchall())
        return is_done.set if name == "marts.two" else partial(given.append, name)

    with made_beside(connection, models, NONE, give) as tables:
        tables.read("marts.two")
        assert is_done.wait(60)

    assert given == [[(1,)], "marts.one", [(2,)]]


def test_what_cannot_be_given_out_ends_the_block(connection):
    is_asked = threading.Event()

    def give(name: str) -> None:
        is_asked.set()
        raise OSError(name)

    models = (model("marts.one", "select 1 as n"),)
    with (
        pytest.raises(OSError, match=r"marts\.one"),
        made_beside(connection, models, NONE, give) as tables,
    ):
        assert is_asked.wait(60)
        tables.read("marts.one")
