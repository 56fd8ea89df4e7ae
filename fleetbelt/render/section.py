"""What a page is made of: quantities, sentences, tables, sections, pages."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from string import Formatter
from typing import Any, Final, Literal

import polars as pl

Kind = Literal[
    "text", "words", "date", "count", "number", "times", "tension", "tension_rate",
    "distance", "span", "share", "chance", "percent", "percent_rate", "per_100k",
    "money", "money_rate",
]  # fmt: skip
"""What a value measures; the page converts and labels by it.

words are text of our own in which "38,800 mi" and "0.64 EUR per 1,000 mi" follow the
unit chosen; tension N, tension_rate N per 1,000 mi, distance mi, span mm, share and
chance 0 to 1 (a chance is never shown as none or certain), times a ratio to 1, percent
0 to 100, percent_rate % per 1,000 mi, per_100k events per 100,000 mi.
"""

UNIT: Final[Mapping[str, str]] = {
    "tension": "N",
    "tension_rate": "N per 1,000 mi",
    "distance": "mi",
    "span": "mm",
    "share": "%",
    "chance": "%",
    "percent": "%",
    "percent_rate": "% per 1,000 mi",
    "per_100k": "per 100,000 mi",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A number in a sentence that follows the reader's choice of units.

    Attributes
    ----------
    value, kind, digits, unit
        As of a `Column`.
    is_bare : bool
        The unit stands with a number beside it and is not said again.
    """

    value: float
    kind: Kind
    digits: int = 0
    unit: str = ""
    is_bare: bool = False

    @property
    def text(self) -> str:
        """Return the number with its unit, in newtons and miles."""
        shown = self.value * 100 if self.kind in {"share", "chance"} else self.value
        places = max(self.digits, 0)
        number = f"{round(shown, self.digits) + 0.0:,.{places}f}"
        number = number.replace("-", "\N{MINUS SIGN}")
        unit = "" if self.is_bare else self.unit or UNIT.get(self.kind, "")
        if self.kind == "money_rate":
            unit = f"{unit} per 1,000 mi"
        return f"{number}\N{NO-BREAK SPACE}{unit}" if unit else number


Sentence = tuple[str | Quantity, ...]
MOST_ROWS: Final = 2_000
"""Of an open table so many rows are in a page, the worst first."""
NOTHING: Final[Sentence] = ("\N{EN DASH}",)


def sentence(template: str, /, **parts: Quantity | Sentence | str | int) -> Sentence:
    """Return a sentence with its parts filled in; text from files stays text.

    Parameters
    ----------
    template : str
        Words with ``{name}`` where a part goes.
    **parts : Quantity, Sentence, str or int
        Whole numbers get thousands separators.

    Returns
    -------
    tuple of str and Quantity
        Never joined here, so that the page can convert the quantities.
    """
    found: list[str | Quantity] = []
    for words, name, _, _ in Formatter().parse(template):
        if words:
            found.append(words.replace(" %", "\N{NO-BREAK SPACE}%"))
        if name is not None:
            part = parts[name]
            found.extend(part if isinstance(part, tuple) else [_plain(part)])
    return tuple(found)


def _plain(part: Quantity | str | int) -> str | Quantity:
    return f"{part:,}" if isinstance(part, int) else part


def plain_text(words: Sentence) -> str:
    """Return a sentence as text, in newtons and miles."""
    return "".join(part if isinstance(part, str) else part.text for part in words)


def share_of(k: int, n: int, lo: float, hi: float, noun: str = "installs") -> Sentence:
    """Say a share with counts and interval: '363 of 1,171 installs (31 %; …)'."""
    share, interval = said(k / n, lo, hi, kind="share")
    return sentence(
        "{k} of {n} {noun} ({share}; {interval})",
        k=k, n=n, noun=noun, share=share, interval=interval,
    )  # fmt: skip


def said(
    value: float,
    lo: float,
    hi: float,
    *,
    kind: Kind,
    digits: int | None = None,
    unit: str = "",
) -> tuple[Quantity, Sentence]:
    """Return a value with its unit, and its interval in words without it.

    Without ``digits`` the interval decides how many there are.
    """
    places = digits_for(lo, hi, kind) if digits is None else digits
    whole = Quantity(value=value, kind=kind, digits=places, unit=unit)
    low, high = (replace(whole, value=limit, is_bare=True) for limit in (lo, hi))
    return whole, sentence("95 % interval {lo} to {hi}", lo=low, hi=high)


_FEWEST_DIGITS: Final[Mapping[Kind, int]] = {"distance": -3, "times": 1}


def digits_for(lo: float, hi: float, kind: Kind = "number") -> int:
    """Return the decimals that an interval supports, negative for tens and more.

    The place of the half width's first digit is the last one shown. Only distances are
    rounded to tens, hundreds or thousands; a ratio keeps one, to tell it from 1.
    """
    half = abs(hi - lo) / 2 * (100 if kind in {"share", "chance"} else 1)
    if not math.isfinite(half) or half == 0:
        return 0
    digits = -math.floor(math.log10(half) + 1e-9)
    return min(3, max(_FEWEST_DIGITS.get(kind, 0), digits))


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table on a page.

    Attributes
    ----------
    name, label : str
        Name in the frame; heading without unit (the page adds the unit).
    kind : Kind
        What it measures.
    digits : int
        Decimals in newtons, miles or per cent.
    words : Mapping of str to str
        Words for code words.
    beside : str
        A template of other columns shown in the same cell, '({lo} to {hi})'; left out
        where one of them is null. In the CSV they are columns of their own.
    unit : str
        For a kind without a unit of its own, such as money.
    is_shown : bool
        False: used by search, filters and figures only.
    """

    name: str
    label: str = ""
    kind: Kind = "text"
    digits: int = 0
    words: Mapping[str, str] = field(default_factory=dict)
    beside: str = ""
    unit: str = ""
    is_shown: bool = True


def interval_columns(
    value: str, lo: str, hi: str, *, label: str, kind: Kind, digits: int = 0
) -> tuple[Column, Column, Column]:
    """Return a value shown with its 95 % interval in one cell, three in the CSV.

    The page shows the decimals that the table's intervals support, ``digits`` where it
    has none.
    """
    return (
        Column(
            name=value,
            label=f"{label}, 95 % interval",
            kind=kind,
            digits=digits,
            beside=f"({{{lo}}} to {{{hi}}})",
        ),
        Column(name=lo, label="Lower 95 % limit", kind=kind, digits=digits),
        Column(name=hi, label="Upper 95 % limit", kind=kind, digits=digits),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Recount:
    """How a table is counted again when the reader filters.

    Attributes
    ----------
    cells : pl.DataFrame
        Sums by depot, model, duty and ``by``: columns ``n`` and ``k``.
    by : tuple of str
        Columns that the table and the cells share; names a row of the table.
    within : str
        The column within which ``n`` becomes a share of its total; without it the
        share is ``k / n`` with its interval.
    is_sum : bool
        Only add up ``n`` and ``k``; no share.
    """

    cells: pl.DataFrame
    by: tuple[str, ...]
    within: str = ""
    is_sum: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table on a page, and what the reader can do with it.

    Attributes
    ----------
    frame : pl.DataFrame
        A boolean column ``is_drawn_only`` marks rows for the figure alone.
    columns : tuple of Column
    recount : Recount or None
        How it follows the page's filters; without it, rows are kept or dropped.
    selects : tuple of str
        Columns with a list to choose from above the table.
    opens : str
        Column with the id of the story that a row opens.
    is_open : bool
        Shown at once, not behind 'show these numbers as a table'.
    is_cards : bool
        On a phone each row is a card with its labels, as where rows open.
    note : Sentence
        What is not in it.
    file : str
        The file of ``tables/`` that has every row, where a page may not.
    """

    frame: pl.DataFrame
    columns: tuple[Column, ...]
    recount: Recount | None = None
    selects: tuple[str, ...] = ()
    opens: str = ""
    is_open: bool = False
    is_cards: bool = False
    note: Sentence = ()
    file: str = ""

    @property
    def listed(self) -> pl.DataFrame:
        """The rows that the page holds; of a long list the first."""
        return self.frame.head(MOST_ROWS) if self.is_open else self.frame

    @property
    def said_below(self) -> Sentence:
        """What is not in the table, and where the rest of a long list is."""
        if self.listed.height == self.frame.height:
            return self.note
        cut = sentence(
            "The first {shown} of {all} rows are in this page{file}. ",
            shown=self.listed.height,
            all=self.frame.height,
            file=f"; tables/{self.file} has all" if self.file else "",
        )
        return cut + self.note


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One question, its answer, one figure, one caveat and the numbers.

    Attributes
    ----------
    key : str
        Its id on the page.
    question : str
    answer, caveat : Sentence
    figure : dict or None
        A figure whose arrays name columns of ``table`` (see figures.py).
    table : Table or None
    method : str
        Id on the method page.
    caption : Sentence
        How to read the figure.
    acts : bool
        Somebody may act on a vehicle by it, so the caution stands here.
    missing : Sentence
        Where there are no data: what is missing and how to get it.
    is_folded : bool
        The figure lies with the table behind 'show …': for those who check.
    """

    key: str
    question: str
    answer: Sentence = ()
    caveat: Sentence = ()
    figure: dict[str, Any] | None = None
    table: Table | None = None
    method: str = ""
    missing: Sentence = ()
    caption: Sentence = ()
    acts: bool = False
    is_folded: bool = False


def missing(key: str, question: str, what: str, how: str) -> Section:
    """Return a section that says what is missing and how to get it."""
    return Section(key=key, question=question, missing=(f"{what} {how}",))


def asked_once(*sections: Section) -> tuple[Section, ...]:
    """Return the sections without those that miss what one before them misses."""
    told: set[Sentence] = set()
    kept = []
    for section in sections:
        if section.missing not in told:
            kept.append(section)
        if section.missing:
            told.add(section.missing)
    return tuple(kept)


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """A number for somebody, what it says, where it leads and how it is made."""

    who: str
    number: Sentence
    words: Sentence
    href: str
    method: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A page: its name, its headlines, its sections and what their rows open."""

    name: str
    title: str
    lead: Sentence
    headlines: tuple[Headline, ...] = ()
    sections: tuple[Section, ...] = ()
    stories: Table | None = None
    story_figure: dict[str, Any] | None = None
    vehicle_belts: Table | None = None
    context: Mapping[str, Any] = field(default_factory=dict)
