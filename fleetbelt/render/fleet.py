"""The fleet manager's page: what was left under, and what to look at first."""

from typing import Final

import polars as pl

from fleetbelt.render import conformity, story, watch
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Headline,
    Page,
    Sentence,
    sentence,
)

TITLE: Final = "The fleet: what was left under, and what to look at first"


def page(frames: Frames) -> Page:
    """Return the fleet page."""
    watched = watch.watchlist(frames)
    belts = frames.get("results.watchlist")
    return Page(
        name="fleet",
        title=TITLE,
        lead=sentence(
            "Every tension here is what the gauge showed, put right by that gauge's "
            "own calibration, with its uncertainty."
        ),
        headlines=headlines(frames),
        sections=(
            watched,
            conformity.distribution(frames),
            conformity.by_month(frames),
            conformity.by_group(frames, "depot"),
            conformity.by_group(frames, "model"),
        ),
        stories=None if belts is None else story.stories(frames, belts),
        story_figure=story.story_figure(),
    )


def headlines(frames: Frames) -> tuple[Headline, ...]:
    """Return the numbers at the top of the page."""
    return (
        _watched(frames),
        _left_under(frames),
        _looked_in_range(frames),
    )


def _watched(frames: Frames) -> Headline:
    watched = frames.get("results.watchlist")
    return Headline(
        who="To look at now",
        number=(f"{0 if watched is None else watched.height:,}",),
        words=watch.watched_in_words(frames),
        href="#watchlist",
    )


def _left_under(frames: Frames) -> Headline:
    k, _ = conformity.left_under(frames) or (0, 0)
    return Headline(
        who="Left under at install",
        number=(f"{k:,}",),
        words=sentence(
            "{share} were left under the range that applied{mean}",
            share=conformity.installs_share(frames),
            mean=_mean_words(frames),
        ),
        href="method.html#method-share",
    )


def _mean_words(frames: Frames) -> Sentence:
    """Say the share with each install counted by its probability of being under."""
    table = frames.get("results.install_conformity")
    if table is None:
        return (".",)
    whole = table.filter(pl.col("by") == "all")
    n = int(whole["n"].sum())
    if n == 0:
        return (".",)
    mean = float((whole["mean_p_under"] * whole["n"]).sum()) / n
    return sentence(
        "; counting each by its chance of being under, about {about}.",
        about=round(mean * n),
    )


def _looked_in_range(frames: Frames) -> Headline:
    seen = conformity.looked_in_range(frames)
    if seen is None or seen[1] == 0:
        words: Sentence = ("No install was left under, or its reading is not known.",)
        return Headline(who="Looked right on the gauge", number=("0",), words=words,
                        href="method.html#method-correction")  # fmt: skip
    k, n = seen
    return Headline(
        who="Looked right on the gauge",
        number=(f"{k:,}",),
        words=sentence(
            "{k} of the {n} installs left under read at least the minimum on the gauge "
            "that set them: the gauge, not the hand, was off.",
            k=k,
            n=n,
        ),
        href="method.html#method-correction",
    )
