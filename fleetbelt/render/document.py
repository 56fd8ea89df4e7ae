"""One page as one self-contained HTML file."""

import base64
import gzip
import hashlib
import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from fleetbelt.render.frames import Frames
from fleetbelt.render.island import json_island, section_data, table_data
from fleetbelt.render.records import counted
from fleetbelt.render.section import (
    Page,
    Quantity,
    Section,
    Sentence,
    Table,
    sentence,
)
from fleetbelt.resources import bundled

MOST_BYTES: Final = 3_000_000
PLOTLY: Final = "plotly-cartesian-4.1.1.min.js"
NAMES: Final = {
    "index": "Start",
    "fleet": "Fleet",
    "workshop": "Workshop",
    "plan": "Plan",
    "gauges": "Gauges",
    "records": "Records",
    "method": "Method",
}
"""Every page that can be written, with its name in the navigation."""
_FILTERS: Final = {"depot": "Depot", "model": "Model", "duty": "Duty"}


class Press:
    """Turns pages into files: templates, style and scripts are read once.

    Parameters
    ----------
    frames : Frames
        For the facts in every page's footer.
    written : sequence of str
        Names of the pages that this run writes, for the navigation.
    pack : bool
        Compress the charting script and the data inside every page, not the largest
        alone.
    """

    def __init__(self, frames: Frames, written: Sequence[str], *, pack: bool) -> None:
        reports = bundled("reports")
        shared = reports / "_shared"
        self._frames, self._pack = frames, pack
        self._names = {name: NAMES[name] for name in written}
        self._style = _text(shared / "style.css")
        self._script = _text(shared / "page.js")
        self._plotly = _text(shared / "vendor" / PLOTLY)
        self._refused = _refused(frames)
        self._templates = Environment(
            loader=FileSystemLoader(reports),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters["unbroken"] = _unbroken

    def html(self, page: Page) -> str:
        """Return a page as HTML, packed where it would be over `MOST_BYTES`."""
        data = json_island(_page_data(page))
        whole = self._rendered(page, data, is_packed=self._pack)
        if self._pack or len(whole.encode()) <= MOST_BYTES:
            return whole
        return self._rendered(page, data, is_packed=True)

    def _rendered(self, page: Page, data: Markup, *, is_packed: bool) -> str:
        draws = page.stories is not None or any(s.figure for s in page.sections)
        plotly = self._plotly if draws else ""
        template = self._templates.get_template(f"{page.name}/page.html.j2")
        return template.render(
            page=page,
            names=self._names,
            fact=self._frames.fact,
            counts=_counts(self._frames),
            refused=self._refused,
            policy=_policy(self._style, self._script, plotly),
            style=Markup(self._style),  # noqa: S704 -- our own files
            script=Markup(self._script),  # noqa: S704
            plotly="" if is_packed else Markup(plotly),  # noqa: S704
            packed_plotly=_packed(plotly) if is_packed else "",
            data=_packed(data) if is_packed else data,
            is_packed=is_packed,
            filters=_filters(page),
            **page.context,
        )

    def write(self, page: Page, out: Path) -> Path:
        """Write a page into a folder, all of it or nothing."""
        path = out / f"{page.name}.html"
        temporary = out / f".{page.name}.html.part"
        with temporary.open("w", encoding="utf-8", newline="\n") as file:
            file.write(self.html(page))
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
        return path


def _counts(frames: Frames) -> str:
    """Say what was used and what was left out."""
    used = [
        f"{int(frames.number(key, 0)):,} {words}"
        for key, words in _COUNTED.items()
        if frames.number(key, 0) > 0
    ]
    return f"{', '.join(used)}." if used else ""


def _refused(frames: Frames) -> Sentence:
    """Say where so many rows were refused that every number leans; else nothing."""
    read, _, refused, _ = counted(frames) or (0, 0, 0, 0)
    if refused <= _MUCH * read:
        return ()
    return sentence(
        "{share} of the rows read were refused: every number here rests on the rest.",
        share=Quantity(value=refused / read, kind="share"),
    )


def _unbroken(text: str) -> Markup:
    """Return text in which an id or a date, T-07 or 2025-06-30, keeps to one line."""
    return Markup(_ID.sub(r'<span class="id">\g<0></span>', str(escape(text))))  # noqa: S704 -- escaped on this line


_MUCH: Final = 0.2
_ID: Final = re.compile(  # of 20 signs at most, with a digit and a hyphen
    r"(?<![\w#&-])(?=[\w-]{3,20}(?![\w-]))(?=[\w-]*\d)\w+(?:-\w+)+", re.ASCII
)
_COUNTED: Final = {
    "n_visits_used": "service records used",
    "n_readings": "readings",
    "n_belts": "belts",
    "n_quarantined": "rows refused",
    "records_after_as_of": "after the as-of date left out",
}


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def _page_data(page: Page) -> dict[str, Any]:
    data: dict[str, Any] = {
        "sections": {section.key: section_data(section) for section in page.sections}
    }
    if page.stories is not None:
        data["stories"] = table_data(page.stories) | {"figure": page.story_figure}
    if page.vehicle_belts is not None:
        data["vehicleBelts"] = table_data(page.vehicle_belts)
    return data


def _policy(style: str, *scripts: str) -> str:
    """Return a content security policy that admits these texts and nothing else.

    The empty style is the sheet that the charting script fills through the DOM.
    """
    sources = " ".join(_hash(script) for script in scripts if script)
    return (
        f"default-src 'none'; script-src {sources}; "
        f"style-src {_hash(style)} {_hash('')}; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


def _packed(text: str) -> str:
    """Return text as gzip in base64, the same bytes for the same text."""
    return base64.b64encode(gzip.compress(text.encode(), mtime=0)).decode()


def _filters(page: Page) -> dict[str, dict[str, Any]]:
    """Return the choices of the page's filters, from the tables they act on."""
    found: dict[str, dict[str, Any]] = {}
    for name, label in _FILTERS.items():
        values = sorted({v for s in page.sections for v in _choices(s, name)} - {"all"})
        if len(values) > 1:
            found[name] = {"label": label, "values": values}
    return found


def _choices(section: Section, name: str) -> Sequence[str]:
    table: Table | None = section.table
    if table is None:
        return ()
    frame = table.recount.cells if table.recount is not None else table.frame
    if name not in frame.columns:
        return ()
    return frame[name].drop_nulls().unique().to_list()
