"""How a cell of text becomes a value, and why it may not: SQL made from the contract.

A guard by pattern comes before every cast, because the engine's own casts take too
much: 12000.7 as 12001, 1_000, 0x1F, nan, 24-01-05 as the year 24. A value is exact, or
its row is refused.

Each value is a chain of functions of the cell alone: the engine works those out once a
word of a compressed column, not once a row. `case` and `regexp_full_match` break that.
"""

from dataclasses import dataclass, field
from typing import Final

from fleetbelt.contract import Column, Table
from fleetbelt.ingest.statements import (
    Sql,
    compose,
    joined,
    literal,
    literals,
    name,
    number,
)
from fleetbelt.settings import DateForm
from fleetbelt.units import KM_PER_MILE

_TIME: Final = (
    r"([ T]([01]?\d|2[0-4]):[0-5]\d(:[0-6]\d([.]\d+)?)?([ \x{202f}]?[AaPp][Mm])?)?"
)
_YEAR_FIRST: Final = rf"((?:1[89]|2\d)\d\d)[-/.](\d{{1,2}})[-/.](\d{{1,2}}){_TIME}"
_PLAIN_DATE: Final = r"(?:1[89]|2\d)\d\d-\d\d-\d\d"
_YEAR_LAST: Final = rf"(\d{{1,2}})[-/.](\d{{1,2}})[-/.]((?:1[89]|2\d)\d\d){_TIME}"
_MARKS: Final = {
    ".": ".",
    ",": ",",
    " ": " \u00a0\u2009\u202f",
    "'": "'\u2019",
}  # between thousands, and what else is written for each
_DAY_ORDER: Final = {"DMY": r"\3-\2-\1", "MDY": r"\3-\1-\2"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """How the values of one file are written.

    Attributes
    ----------
    date_form : {"ISO", "DMY", "MDY"}
        Order of a date's parts; ISO is year first.
    decimal_comma : bool
        12,5 is twelve and a half.
    thousands : str
        Mark between groups of three digits; none when empty.
    empty_words : tuple of str
        Cells that mean "not known".
    words : dict
        Column to its file's code words and ours.
    """

    date_form: DateForm = "ISO"
    decimal_comma: bool = False
    thousands: str = ""
    empty_words: tuple[str, ...] = ()
    words: dict[str, dict[str, str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a row is refused: the column, the code, and the SQL that says so."""

    column: str
    code: str
    condition: Sql


def cell_of(column: Column, form: Form) -> Sql:
    """Return the raw cell; null where the file has a word for that."""
    cell = name(column.name)
    if not form.empty_words:
        return cell
    return compose(
        "case when lower({cell}) not in ({words}) then {cell} end",
        cell=cell,
        words=literals(word.strip().lower() for word in form.empty_words),
    )


def value_of(column: Column, cell: Sql, form: Form) -> Sql:
    """Return the cell as the column's type; null where it is none."""
    if column.type == "date":
        return date_value(cell, form.date_form)
    if column.type == "real":
        return _real(cell, form)
    if column.type == "integer":
        return _integer(cell, form)
    if column.words:
        return _word(column, cell, form)
    return cell


def date_value(cell: Sql, date_form: DateForm) -> Sql:
    """Return the cell as a date; a time of day is cut off, a time zone refused."""
    if date_form == "ISO":
        return compose(
            "coalesce(try_cast({plain} as date), {any})",
            plain=_whole(cell, _PLAIN_DATE),
            any=_ordered_date(cell, _YEAR_FIRST, r"\1-\2-\3"),
        )
    return _ordered_date(cell, _YEAR_LAST, _DAY_ORDER[date_form])


def _ordered_date(cell: Sql, pattern: str, order: str) -> Sql:
    return compose(
        "try_cast(regexp_replace({whole}, {pattern}, {order}) as date)",
        whole=_whole(cell, pattern),
        pattern=literal(pattern),
        order=literal(order),
    )


def _whole(cell: Sql, pattern: str) -> Sql:
    """Return the cell where all of it fits the pattern, else an empty text."""
    return compose(
        "regexp_extract({cell}, {all})",
        cell=cell,
        all=literal(rf"\A(?:{pattern})\z"),
    )


def _digits(form: Form) -> str:
    """Return the pattern of the digits before the decimal mark."""
    plain = r"\d{1,15}"
    if not form.thousands:
        return plain
    mark = f"[{_MARKS[form.thousands]}]"
    return rf"(?:{plain}|\d{{1,3}}(?:{mark}\d{{3}}){{1,4}})"


def _mark(form: Form) -> str:
    """Return the pattern of the decimal mark."""
    return "," if form.decimal_comma else "[.]"


def _plain_digits(cell: Sql, form: Form) -> Sql:
    """Return the cell with the engine's decimal point and no marks in between."""
    if form.thousands:
        pattern = literal(f"[{_MARKS[form.thousands]}]")
        cell = compose("regexp_replace({cell}, {m}, '', 'g')", cell=cell, m=pattern)
    if form.decimal_comma:
        cell = compose("replace({cell}, ',', '.')", cell=cell)
    return cell


def _real(cell: Sql, form: Form) -> Sql:
    digits, mark = _digits(form), _mark(form)
    pattern = rf"[-+]?(?:{digits}(?:{mark}\d{{0,20}})?|{mark}\d{{1,20}})"
    return _as_double(_whole(cell, pattern), form)


def _as_double(cell: Sql, form: Form) -> Sql:
    return compose("try_cast({x} as double)", x=_plain_digits(cell, form))


def _integer(cell: Sql, form: Form) -> Sql:
    pattern = rf"[-+]?{_digits(form)}(?:{_mark(form)}0*)?"
    whole = _as_double(_whole(cell, pattern), form)
    return compose("try_cast({whole} as bigint)", whole=whole)


def _word(column: Column, cell: Sql, form: Form) -> Sql:
    """Return the contract's code word for the cell, whatever its case."""
    words = {word.lower(): word for word in column.words}
    for theirs, ours in form.words.get(column.name, {}).items():
        words[theirs.strip().lower()] = ours
    pairs = (
        compose("{theirs}: {ours}", theirs=literal(theirs), ours=literal(ours))
        for theirs, ours in words.items()
    )
    return compose(
        "map {{{pairs}}}[lower({cell})]", pairs=joined(", ", pairs), cell=cell
    )


def reasons(table: Table, form: Form) -> list[Reason]:
    """Return every reason for which a row of the table is refused, in column order.

    The conditions read ``cell_<column>``, ``value_<column>``, ``loaded_on`` and
    ``typed.settings``, and are never null.
    """
    found: list[Reason] = []
    pairs: set[str] = set()
    for column in table.columns:
        if column.one_of and column.one_of not in pairs:
            pairs.add(column.one_of)
            found += _distance_reasons(table, column)
        found += _column_reasons(column, form)
    return found


def _column_reasons(column: Column, form: Form) -> list[Reason]:
    cell, value = name(f"cell_{column.name}"), name(f"value_{column.name}")
    unread = compose("{c} is not null and {v} is null", c=cell, v=value)
    found: list[tuple[str, Sql]] = []
    if column.is_required and not column.one_of:
        found.append(("missing_value", compose("{c} is null", c=cell)))
    if column.type == "date":
        found.append(("not_a_date", unread))
    elif column.type == "real":
        found.append(("not_a_number", unread))
    elif column.type == "integer":
        is_real = compose("{v} is not null", v=_real(cell, form))
        both = compose("({unread}) and ({real})", unread=unread, real=is_real)
        neither = compose("({unread}) and not ({real})", unread=unread, real=is_real)
        found += [("not_a_whole_number", both), ("not_a_number", neither)]
    elif column.words:
        found.append(("unknown_word", unread))
    found += _range_reasons(column, value)
    return [Reason(column=column.name, code=code, condition=c) for code, c in found]


def _range_reasons(column: Column, value: Sql) -> list[tuple[str, Sql]]:
    found: list[tuple[str, Sql]] = []
    if column.above is not None:
        test = compose("{v} <= {x}", v=value, x=number(column.above))
        found.append(("out_of_range", compose("coalesce({t}, false)", t=test)))
    if column.least is not None:
        test = compose("{v} < {x}", v=value, x=number(column.least))
        found.append(("out_of_range", compose("coalesce({t}, false)", t=test)))
    if column.one_of == "odometer":
        per = KM_PER_MILE if column.name.endswith("_km") else 1.0
        test = compose(
            "{v} > {per} * (select max_odometer_mi from typed.settings)",
            v=value,
            per=number(per),
        )
        found.append(("out_of_range", compose("coalesce({t}, false)", t=test)))
    if column.name == "date":  # the day of an event; plans may lie ahead, events not
        test = compose("{v} > loaded_on", v=value)
        found.append(("date_in_future", compose("coalesce({t}, false)", t=test)))
    return found


def _distance_reasons(table: Table, column: Column) -> list[Reason]:
    """Return why the columns of one distance are refused together."""
    both = [c for c in table.columns if c.one_of == column.one_of]
    cells = [name(f"cell_{c.name}") for c in both]
    filled = joined(" and ", (compose("{c} is not null", c=c) for c in cells))
    found = [Reason(column=both[1].name, code="two_units", condition=filled)]
    if column.is_required:
        empty = joined(" and ", (compose("{c} is null", c=c) for c in cells))
        found.append(Reason(column=both[0].name, code="missing_value", condition=empty))
    return found
