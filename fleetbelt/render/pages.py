"""All pages, from frames to files."""

from collections.abc import Mapping
from pathlib import Path
from typing import Final

import polars as pl

from fleetbelt.render import fleet, gauges, index, method, plan, records, talk, workshop
from fleetbelt.render.document import Press
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import plain_text

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
        The pages written, the first page first; the sheets for talks are beside them
        in ``talk/``.
    """
    frames = Frames(results)
    made = [page(frames) for page in PAGES]
    shown = [page for page in made if page.sections or page.headlines]
    press = Press(frames, [page.name for page in shown], pack=pack)
    talk.write_sheets(frames, out)
    return [press.write(page, out) for page in shown]


def headlines(results: Mapping[str, pl.DataFrame]) -> tuple[str, ...]:
    """Return the sentences of the first page as text for a terminal."""
    return tuple(
        f"{headline.who}: {plain_text(headline.words)}".replace(
            "\N{NO-BREAK SPACE}", " "
        )
        for headline in index.page(Frames(results)).headlines
    )
