"""All pages, from frames to files."""

from collections.abc import Mapping
from pathlib import Path
from typing import Final

import polars as pl

from fleetbelt.render import fleet, gauges, index, method, plan, records, workshop
from fleetbelt.render.document import Press
from fleetbelt.render.frames import Frames

PAGES: Final = (
    index.page,
    fleet.page,
    workshop.page,
    plan.page,
    gauges.page,
    records.page,
    method.page,
)


def render_pages(
    results: Mapping[str, pl.DataFrame], out: Path, *, pack: bool = False
) -> list[Path]:
    """Write every page; the same frames give the same bytes.

    Parameters
    ----------
    results : Mapping of str to pl.DataFrame
        Tables by name (``results.watchlist``); see `NEEDED`. A missing or empty one
        leaves a section that says what is missing.
    out : Path
        An existing folder.
    pack : bool, default False
        Compress inside the pages, for mail.

    Returns
    -------
    list of Path
        The files written, the first page first.
    """
    frames = Frames(results)
    made = [page(frames) for page in PAGES]
    shown = [page for page in made if page.sections or page.headlines]
    press = Press(frames, [page.name for page in shown], pack=pack)
    return [press.write(page, out) for page in shown]
