"""A sheet for a talk with one technician: own numbers, an average, nobody's name."""

import base64
import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import polars as pl
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from fleetbelt.render import words
from fleetbelt.render.frames import Frames
from fleetbelt.resources import bundled

FOLDER: Final = "talk"
_LEAST_IN_SHOP: Final = 4  # of fewer, an average would tell what the others did
_NONE: Final = "\N{EN DASH}"
_STYLE: Final = """
:root{color-scheme:light dark}
body{font:1rem/1.5 system-ui,sans-serif;margin:0;background:Canvas;color:CanvasText}
main{max-width:46rem;margin:0 auto;padding:1.5rem 1rem}
h1{font-size:1.5rem;margin:0 0 .5rem}
table{border-collapse:collapse;width:100%;margin:1rem 0}
caption{text-align:left;font-weight:600;padding:.3rem 0}
th,td{text-align:left;vertical-align:top;padding:.35rem .6rem .35rem 0}
tr{border-bottom:1px solid}
.fine{font-size:.875rem}
@media (max-width:30rem){td:last-child,thead th:last-child{display:none}}
@media print{@page{margin:18mm}body{background:#fff;color:#000}}
"""


def file_names(ids: list[str]) -> dict[str, str]:
    """Return a file name for each id, plain and none twice."""
    names: dict[str, str] = {}
    for number, technician_id in enumerate(sorted(ids), start=1):
        plain = re.sub(r"[^A-Za-z0-9_-]+", "_", technician_id)[:60]
        is_itself = plain == technician_id
        names[technician_id] = f"{plain if is_itself else f'{plain}_{number}'}.html"
    return names


def links(frames: Frames) -> dict[str, str]:
    """Return the address of each technician's sheet, by technician."""
    people = _people(frames)
    ids = [] if people is None else people["technician_id"].to_list()
    return {one: f"{FOLDER}/{name}" for one, name in file_names(ids).items()}


def write_sheets(frames: Frames, out: Path) -> list[Path]:
    """Write a sheet for each technician with a setting, below ``out/talk``.

    Parameters
    ----------
    frames : Frames
        The tables of technicians.
    out : Path
        Folder of the pages; it exists.

    Returns
    -------
    list of Path
        The files, by technician; none where there is no technician.
    """
    people = _people(frames)
    if people is None:
        return []
    template = Environment(
        loader=FileSystemLoader(bundled("reports")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("talk/sheet.html.j2")
    digest = hashlib.sha256(_STYLE.encode()).digest()
    (out / FOLDER).mkdir()
    names = file_names(people["technician_id"].to_list())
    peers = {shop: _peers(people, shop) for shop in people["shop"].unique()}
    of_all = {
        "style": Markup(_STYLE),  # noqa: S704 -- our own text
        "style_hash": f"'sha256-{base64.b64encode(digest).decode()}'",
        "version": version("fleetbelt"),
        "as_of": frames.fact("as_of"),
    }
    written = []
    for person in people.iter_rows(named=True):
        path = out / FOLDER / names[person["technician_id"]]
        text = template.render(**of_all, **_sheet(person, peers[person["shop"]]))
        path.write_text(text, encoding="utf-8", newline="\n")
        written.append(path)
    return written


def _people(frames: Frames) -> pl.DataFrame | None:
    """Return what is known of each technician with a setting, in one row."""
    people = frames.get("results.technician_results")
    if people is None:
        return None
    for name in ("results.technician_retensions", "results.technician_complaints"):
        more = frames.get(name)
        if more is not None:
            people = people.join(more, on="technician_id", how="left", suffix="_heard")
    people = people.filter(pl.col("settings") > 0).sort("technician_id")
    return None if people.is_empty() else people


@dataclass(frozen=True, slots=True, kw_only=True)
class _Peers:
    """Whom a technician is held beside: in words, and the averages, by column."""

    whose: str
    averages: Mapping[str, str] | None  # None: too few of them


def _peers(people: pl.DataFrame, shop: str | None) -> _Peers:
    """Return those of a shop, where they are enough, else all."""
    own = people.filter(pl.col("shop") == shop)
    is_shop = own.height >= _LEAST_IN_SHOP
    peers = own if is_shop else people
    averages = {
        name: _average(peers, name, weight, form)
        for _, name, _, weight, form, _ in _LINES
        if name in peers.columns
    }
    return _Peers(
        whose=f"all of {shop}" if is_shop else "all shops together",
        averages=averages if peers.height >= _LEAST_IN_SHOP else None,
    )


def _sheet(person: Mapping[str, Any], peers: _Peers) -> dict[str, Any]:
    may_average = peers.averages is not None
    return {
        "who": person["technician_id"],
        "settings": f"{person['settings']:,}",
        "beside": f"the average of {peers.whose}"
        if may_average
        else "no average: too few",
        "average": f"Average, {peers.whose}" if may_average else "Average",
        "rows": list(_rows(person, peers.averages or {})),
        "said": list(_said(person)),
    }


def _rows(
    person: Mapping[str, Any], averages: Mapping[str, str]
) -> Iterator[dict[str, str]]:
    for what, name, limits, weight, form, read in _LINES:
        if person.get(name) is None:
            continue
        lo, hi = (person.get(limit) for limit in limits or ("", ""))
        is_known = lo is not None and hi is not None
        between = f" ({form(lo)} to {form(hi)})" if is_known else ""
        n = person.get(weight)
        yield {
            "what": what,
            "own": f"{form(person[name])}{between}" + (f", of {n:,}" if n else ""),
            "average": averages.get(name, _NONE),
            "read": read,
        }


def _average(peers: pl.DataFrame, name: str, weight: str, form: Any) -> str:  # noqa: ANN401
    known = peers.drop_nulls([name, weight])
    values, weights = known[name].to_numpy(), known[weight].to_numpy()
    if not weights.sum():
        return _NONE
    return str(form(float(values @ weights / weights.sum())))


def _share(value: float) -> str:
    return f"{100 * value:.0f}\N{NO-BREAK SPACE}%"


def _signed(value: float) -> str:
    return f"{value:+.1f}\N{NO-BREAK SPACE}%".replace("-", "\N{MINUS SIGN}")


def _percent(value: float) -> str:
    return f"{value:.1f}\N{NO-BREAK SPACE}%"


def _minutes(value: float) -> str:
    return f"{value:.0f}\N{NO-BREAK SPACE}min"


def _times(value: float) -> str:
    return f"{value:.2f}"


def _limits(name: str) -> tuple[str, str]:
    return f"{name}_lo", f"{name}_hi"


_LINES: Final[tuple[tuple[str, str, Any, str, Any, str], ...]] = (
    ("Left in range", "in_spec_share", _limits("in_spec"), "settings", _share,
     "share of your settings whose true tension lies in the published range"),
    ("Habit", "bias_pct", _limits("bias"), "settings", _signed,
     "where your hand sets, against the middle of the range; the gauge is allowed for"),
    ("What was left", "left_bias_pct", None, "settings", _signed,
     "the same with the gauge's error in it"),
    ("Spread", "spread_pct", None, "settings", _percent,
     "how far one setting lies from the next"),
    ("Still in range when read again", "hold_share", _limits("hold"), "hold_n", _share,
     "of settings left in range"),
    ("The same as expected", "hold_expected", None, "hold_n", _share,
     "for the miles run and the models"),
    ("Installs rechecked after run-in", "run_in_recheck_share",
     _limits("run_in_recheck"), "run_in_installs", _share,
     "by anyone; bookings decide this too"),
    ("Rechecked too early", "early_recheck_share", None, "run_in_installs", _share,
     "before the engine had run five minutes"),
    ("Found under, left under", "stayed_under_share", _limits("stayed_under"),
     "found_under", _share, "of retensions found under the range"),
    ("Found in range, set again", "moved_in_range_share", _limits("moved_in_range"),
     "seen_in_range", _share, "of belts found in range"),
    ("Minutes of a retension", "median_minutes", None, "timed", _minutes, "median"),
    ("Complaints within 5,000 mi", "ratio", _limits("ratio"), "works", _times,
     "heard over expected, drawn to 1 where little is known"),
)  # fmt: skip


def _said(person: Mapping[str, Any]) -> Iterator[str]:
    """Say in plain words what can and cannot be told."""
    standing = words.STANDINGS[person["standing"]]
    if person["standing"] == "too_few":
        yield (
            "Too few of your settings have been read again to say whether they hold "
            "more or less often than expected. That is no judgement."
        )
    else:
        yield f"Settings that held, against expectation: {standing}."
    if person.get("corrects_share") is None:
        yield (
            "Whether you allow for the gauge's error cannot be told: it takes gauges "
            "that differ by 6 % or more, with 30 settings each."
        )
    else:
        share = _share(person["corrects_share"])
        yield f"Of the gauge's error you allow for about {share}."
