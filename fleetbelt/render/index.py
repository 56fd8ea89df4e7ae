"""The first page: one sentence and one number for each of three people."""

from datetime import date, timedelta
from typing import Final

import polars as pl

from fleetbelt.render import changes, conformity, records, watch
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import NOTHING, Headline, Page, Quantity, sentence
from fleetbelt.render.shares import NONE

SOON_DAYS: Final = 90


def page(frames: Frames) -> Page:
    """Return the index page."""
    return Page(
        name="index",
        title="Belt tension: where the fleet stands",
        lead=("One number each for three people, and doors to what lies behind it.",),
        headlines=(_manager(frames), _owner(frames), _analyst(frames)),
        context={"changed": changes.in_words(frames)},
    )


def _manager(frames: Frames) -> Headline:
    return Headline(
        who="For the fleet manager",
        number=watch.number(frames),
        words=watch.watched_in_words(frames),
        href="fleet.html#watchlist",
        method="method-now",
    )


def _owner(frames: Frames) -> Headline:
    seen = conformity.looked_in_range(frames)
    share = conformity.installs_share(frames)
    k, n = conformity.left_under(frames) or (0, 0)
    if n == 0:
        return Headline(
            who="For the shop owner",
            number=NOTHING,
            words=(NONE,),
            href="workshop.html",
            method="method-share",
        )
    those = f"{seen[0]:,}" if seen and seen[0] else "None"
    looked = f" {those} of those looked right on the gauge." if seen else ""
    return Headline(
        who="For the shop owner",
        number=(f"{k:,}",),
        words=sentence("{share} were left under their range.{looked}",
                       share=share, looked=looked),
        href="workshop.html#by-shop",
        method="method-share",
    )  # fmt: skip


def _analyst(frames: Frames) -> Headline:
    """Say how many belts fall due soon; before drift is known, what was read."""
    days, as_of = frames.get("pages.due_days"), frames.fact("as_of")
    due = None if days is None else days.drop_nulls("due_date")
    if days is None or due is None or due.is_empty() or not as_of:
        _, loaded, _, _ = records.counted(frames) or (0, 0, 0, 0)
        return Headline(
            who="For the analyst",
            number=(f"{loaded:,}",),
            words=records.in_words(frames),
            href="records.html",
            method="method-records",
        )
    today = date.fromisoformat(as_of)
    soon, now = (
        int(due.filter(pl.col("due_date") <= today + timedelta(days=ahead))["n"].sum())
        for ahead in (SOON_DAYS, 0)
    )
    return Headline(
        who="For the analyst",
        number=(f"{soon:,}",),
        words=sentence(
            "{soon} of {n} running belts are due for retension within {days} days, "
            "{now} of them already: due at a chance of {p} of being under.",
            p=Quantity(value=frames.setting("plan", "retension_p", 0.1), kind="share"),
            soon=soon,
            n=int(days["n"].sum()),
            days=SOON_DAYS,
            now=now,
        ),
        href="fleet.html#watchlist",
        method="method-plan",
    )
