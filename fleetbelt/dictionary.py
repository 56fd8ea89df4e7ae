"""The contract in words: what `fleetbelt dictionary` prints."""

from fleetbelt.contract import INPUTS, RESULTS, Column, Table
from fleetbelt.ingest.codes import REFUSALS, Code, rules


def dictionary_text() -> str:
    """Return every table, column, unit and code word, and every rule, as text."""
    blocks = [
        "TAKEN IN: NAME.csv, NAME_*.csv, .csv.gz or .xlsx (* needed, ! never empty)",
        *map(_table_text, INPUTS),
        "GIVEN OUT: schema results of the database, also Parquet and CSV",
        *map(_table_text, RESULTS),
        "REFUSED: why a row is set aside, whatever the others say",
        *map(_code_text, REFUSALS),
        "RULES across rows: quarantine refuses the row, note keeps it and says so",
        *map(_code_text, rules()),
    ]
    return "\n\n".join(blocks)


def _table_text(table: Table) -> str:
    head = f"{table.name}{' *' if table.is_required else ''}: one row is {table.row}"
    lines = [f"  key: {', '.join(table.key)}", *map(_column_text, table.columns)]
    return "\n".join([head, *lines])


def _column_text(column: Column) -> str:
    name = column.name + ("!" if column.is_required else "")
    words = f" ({', '.join(column.words)})" if column.words else ""
    return f"  {name:<22} {column.type:<9} {column.meaning}{words}"


def _code_text(code: Code) -> str:
    lines = [
        f"{code.code} ({code.severity}): {code.sentence}",
        f"  example: {code.example}",
        f"  mend:    {code.mend}",
    ]
    if code.setting:
        lines.append(f"  setting: {code.setting}")
    return "\n".join(lines)
