"""The business rules under sql/checks: each query returns the rows that break it."""

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fleetbelt.store.sql_models import SqlModel, tables_read

_HEADER = re.compile(
    r"^-- (?P<name>severity|example|mend|setting): (?P<value>.+)$", re.MULTILINE
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One rule: its code, what it means, and the query that finds its breaches.

    Attributes
    ----------
    code : str
        Stem of the file.
    sentence, example, mend : str
        What it means, such a row, and what to do about it.
    setting : str
        Key of fleetbelt.toml that may mend it, if any.
    severity : str
        ``quarantine`` refuses the row, ``note`` keeps it and says so.
    sql : str
        Returns table_name, file_id, line, key, column_name, code, detail.
    """

    code: str
    sentence: str
    example: str
    mend: str
    setting: str
    severity: str
    sql: str


def _read(path: Path) -> Check:
    text = path.read_text(encoding="utf-8")
    header = {found["name"]: found["value"] for found in _HEADER.finditer(text)}
    return Check(
        code=path.stem,
        sentence=text.splitlines()[0].removeprefix("-- "),
        example=header["example"],
        mend=header["mend"],
        setting=header.get("setting", ""),
        severity=header["severity"],
        sql=text,
    )


@cache
def discover(folder: Path) -> tuple[Check, ...]:
    """Return every rule in a folder, by code."""
    return tuple(_read(path) for path in sorted(folder.glob("*.sql")))


def notes(folder: Path) -> SqlModel:
    """Return the model of ``results.data_notes``: one row a table, key and code."""
    found = "\nunion all\n".join(
        f"select table_name, key, code, detail, file_id, line from (\n{check.sql}\n)"
        for check in discover(folder)
        if check.severity == "note"
    )
    sql = (
        "select noted.* exclude (file_id, line), files.file, noted.line from ("
        "select table_name, key, code, min(detail) as detail, "
        "min(file_id) as file_id, min(line) as line "
        f"from (\n{found}\n) group by table_name, key, code"
        ") as noted left join raw.files as files using (file_id)"
    )
    return SqlModel(
        name="results.data_notes",
        sql=sql,
        kind="table",
        meaning="What the rules found in accepted rows.",
        key=("table_name", "key", "code"),
        columns={},
        types={},
        reads=tables_read(sql, str(folder)),
    )
