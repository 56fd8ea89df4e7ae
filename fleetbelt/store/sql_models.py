"""The SQL models under sql/: what each makes, what it reads, in which order."""

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path
from typing import Any

import duckdb

from fleetbelt.errors import StoreError
from fleetbelt.store.comments import say_what
from fleetbelt.store.places import ENGINE_PLACE_ERRORS

HEADER_COLUMN = re.compile(r"^--   (\w+) +(\w+)\b", re.MULTILINE)
_MEANING = re.compile(r"^--   (?P<name>\w+) +\w+\b *(?P<meaning>.*)$", re.MULTILINE)
_OF_ONE_ROW = re.compile(r"(^|_)service_id$")
_KIND = re.compile(r"^-- kind: +(?P<kind>table|view)$", re.MULTILINE)
_KEY = re.compile(r"^-- key: +(?P<key>.+)$", re.MULTILINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class SqlModel:
    """One file under sql/: the folder is the schema, the stem is the table.

    Attributes
    ----------
    name : str
        ``schema.table``.
    sql : str
        The file's text, one select statement.
    kind : str
        ``table``, or ``view``: computed where it is read, for few columns or readers.
    meaning : str
        First sentence of its header.
    key : tuple of str
        Columns that identify a row.
    columns : dict of str to str
        Column name to meaning, in the order of the select list.
    types : dict of str to str
        Column name to type.
    reads : frozenset of str
        Tables it reads, ``schema.table``.
    """

    name: str
    sql: str
    kind: str
    meaning: str
    key: tuple[str, ...]
    columns: dict[str, str]
    types: dict[str, str]
    reads: frozenset[str]


def _nodes(tree: Any) -> Iterator[dict[str, Any]]:  # noqa: ANN401 (parsed JSON)
    """Every dict in a tree, depth first."""
    if isinstance(tree, dict):
        yield tree
    for child in tree.values() if isinstance(tree, dict) else tree:
        if isinstance(child, dict | list):
            yield from _nodes(child)


@cache
def tables_read(sql: str, where: str) -> frozenset[str]:
    """Return the schema-qualified tables a query reads; bare names are CTEs.

    Parameters
    ----------
    sql : str
        One select statement.
    where : str
        The file it stands in, for the message.

    Returns
    -------
    frozenset of str
        Names as ``schema.table``.

    Raises
    ------
    StoreError
        The statement does not parse.
    """
    query = "select json_serialize_sql(?)"
    with duckdb.cursor() as own:  # the common one serves one thread at a time
        (text,) = own.execute(query, [sql]).fetchall()[0]
    tree = json.loads(text)
    if tree["error"]:
        raise StoreError(
            what=f"DuckDB cannot parse this model: {tree['error_message']}.",
            where=where,
            fix="keep one select statement per file; run it in a DuckDB shell.",
        )
    return frozenset(
        f"{node['schema_name']}.{node['table_name']}"
        for node in _nodes(tree)
        if node.get("type") == "BASE_TABLE" and node["schema_name"]
    )


def read_model(path: Path) -> SqlModel:
    """Return the model a file holds, its header parsed."""
    sql = path.read_text(encoding="utf-8")
    key = _KEY.search(sql)
    kind = _KIND.search(sql)
    return SqlModel(
        name=f"{path.parent.name}.{path.stem}",
        sql=sql,
        kind=kind["kind"] if kind else "table",
        meaning=sql.partition("\n")[0].removeprefix("-- "),
        key=tuple(key["key"].split(", ")) if key else (),
        columns={
            found["name"]: found["meaning"].strip() for found in _MEANING.finditer(sql)
        },
        types=dict(HEADER_COLUMN.findall(sql)),
        reads=tables_read(sql, str(path)),
    )


@cache
def discover(folder: Path) -> tuple[SqlModel, ...]:
    """Return every model below a folder, dependencies first.

    Ties are in alphabetical order, so that the way is the same on every machine.
    """
    models = {
        model.name: model
        for path in sorted(folder.glob("*/*.sql"))
        if path.parent.name != "checks"
        for model in [read_model(path)]
    }
    order = TopologicalSorter(
        {name: sorted(model.reads & models.keys()) for name, model in models.items()}
    )
    return tuple(models[name] for name in order.static_order())


def build(
    connection: duckdb.DuckDBPyConnection, models: Iterable[SqlModel], *schemas: str
) -> frozenset[str]:
    """Make the tables and views of the named schemas anew, in dependency order.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Where to make them.
    models : iterable of SqlModel
        All models, dependencies first.
    *schemas : str
        Which to make: a schema (``history``) or one table (``history.belts``).

    Returns
    -------
    frozenset of str
        The names of what was made.

    Raises
    ------
    StoreError
        A model does not run.
    """
    chosen = [
        model
        for model in models
        if model.name.split(".")[0] in schemas or model.name in schemas
    ]
    for model in chosen:
        make(connection, model)
    return frozenset(model.name for model in chosen)


def make(connection: duckdb.DuckDBPyConnection, model: SqlModel) -> None:
    """Make one table or view anew; a result table in the order of its key.

    Raises
    ------
    StoreError
        The model does not run.
    """
    schema = model.name.split(".")[0]
    try:
        connection.execute(f"create schema if not exists {schema}")
        drop(connection, model.name)
        connection.execute(_statement(model))
    except ENGINE_PLACE_ERRORS:
        raise
    except duckdb.Error as error:
        raise StoreError(
            what=f"The model {model.name} does not run: {error}",
            where=f"sql/{model.name.replace('.', '/')}.sql",
            fix="run the file in a DuckDB shell on this database.",
        ) from error
    say_what(connection, model.name, model.meaning, model.columns, kind=model.kind)


def _statement(model: SqlModel) -> str:
    """Return what makes the model's table or view.

    Ids that differ from row to row are packed without looking for a dictionary in
    them, which takes the engine longer than all other columns of a reading.
    """
    rows = model.sql
    if model.name.startswith("results."):
        key = ", ".join(f'"{name}"' for name in model.key)
        rows = f"from (\n{model.sql}\n) order by {key}"
    own = {name for name in model.types if _OF_ONE_ROW.search(name)}
    if model.kind == "view" or not own:
        return f"create {model.kind} {model.name} as {rows}"
    columns = ", ".join(
        f'"{name}" {type_}' + (" using compression zstd" if name in own else "")
        for name, type_ in model.types.items()
    )
    return f"create table {model.name} ({columns}); insert into {model.name} {rows}"


def drop(connection: duckdb.DuckDBPyConnection, name: str) -> None:
    """Drop the table or view ``schema.table`` where there is one."""
    found = connection.execute(
        "select 'table' from duckdb_tables() "
        "where schema_name = $1 and table_name = $2 "
        "union all select 'view' from duckdb_views() "
        "where schema_name = $1 and view_name = $2",
        name.split("."),
    ).fetchall()
    for (kind,) in found:
        connection.execute(f"drop {kind} {name}")
