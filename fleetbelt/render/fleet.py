"""The fleet manager's page: what was left under, and what to look at first."""

from typing import Final

import polars as pl

from fleetbelt.render import (
    avoidable,
    b10,
    changes,
    conformity,
    cumulative,
    dose,
    drift,
    drift_checks,
    effects,
    failures,
    life,
    noise,
    repairs,
    shares,
    story,
    vehicle,
    watch,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    NOTHING,
    Headline,
    Page,
    Quantity,
    Sentence,
    asked_once,
    sentence,
)
from fleetbelt.render.shares import NONE

_FITTED: Final = (
    ("results.drift_by_model", drift.by_model),
    ("results.drift_by_model", drift.run_in),
    ("results.drift_effects", drift_checks.effects),
    ("results.drift_checks", drift_checks.checks),
    ("results.drift_gauges", drift_checks.gauges),
    ("results.life_curve", life.survival),
    ("results.life_effects", effects.life),
    ("results.life_by_group", b10.table),
    ("pages.belt_ends", failures.by_reason),
    ("results.noise_dose", dose.two_sided),
    ("results.noise_rates", noise.slipping),
    ("results.noise_rates", noise.bearing),
    ("results.noise_curve", cumulative.curves),
    ("results.noise_avoidable", avoidable.squeal),
    ("results.repair_rates", repairs.price_of_too_tight),
    ("results.vehicle_results", vehicle.vehicles),
)
TITLE: Final = "The fleet: what was left under, and what to look at first"


def page(frames: Frames) -> Page:
    """Return the fleet page."""
    belts = frames.get("results.watchlist")
    return Page(
        name="fleet",
        title=TITLE,
        lead=_lead(frames),
        headlines=headlines(frames),
        sections=asked_once(
            watch.watchlist(frames),
            changes.watchlist_changes(frames),
            conformity.distribution(frames),
            shares.by_month(frames),
            shares.by_group(frames, "depot"),
            shares.by_group(frames, "model"),
            *(make(frames) for table, make in _FITTED if frames.has(table)),
        ),
        stories=None if belts is None else story.stories(frames, belts),
        story_figure=story.story_figure(),
        vehicle_belts=vehicle.belts(frames),
    )


def _lead(frames: Frames) -> Sentence:
    """Say what a tension is here, and what it is worth without calibrations."""
    if frames.get("results.gauge_curves") is not None:
        return sentence(
            "Every tension here is what the gauge showed, put right by that gauge's "
            "own calibration, with its uncertainty."
        )
    return sentence(
        "No gauge was calibrated, so every tension here is what the gauge showed, with "
        "an uncertainty of {u} from the settings.",
        u=Quantity(
            value=frames.setting("measurement", "uncalibrated_u", 0.08), kind="share"
        ),
    )


def headlines(frames: Frames) -> tuple[Headline, ...]:
    """Return the numbers at the top of the page."""
    return (
        _watched(frames),
        _left_under(frames),
        _looked_in_range(frames),
    )


def _watched(frames: Frames) -> Headline:
    return Headline(
        who="To look at now",
        number=watch.number(frames),
        words=watch.watched_in_words(frames),
        href="#watchlist",
        method="method-now",
    )


def _left_under(frames: Frames) -> Headline:
    k, n = conformity.left_under(frames) or (0, 0)
    if n == 0:
        return Headline(
            who="Left under at install",
            number=NOTHING,
            words=(NONE,),
            href="#install-tension",
            method="method-share",
        )
    return Headline(
        who="Left under at install",
        number=(f"{k:,}",),
        words=sentence(
            "{share} were left under the range that applied{mean}",
            share=conformity.installs_share(frames),
            mean=_mean_words(frames),
        ),
        href="#install-tension",
        method="method-share",
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
    if seen is None and frames.get("results.gauge_curves") is None:
        return Headline(
            who="Looked right on the gauge",
            number=NOTHING,
            words=("Not known: no gauge was calibrated.",),
            href="gauges.html",
            method="method-correction",
        )
    if seen is None or seen[1] == 0:
        return Headline(
            who="Looked right on the gauge",
            number=("0",) if conformity.left_under(frames) else NOTHING,
            words=("No install was left under, or its reading is not known.",),
            href="#install-tension",
            method="method-correction",
        )
    k, n = seen
    why = ": by its calibration it reads high there" if k else ""
    return Headline(
        who="Looked right on the gauge",
        number=(f"{k:,}",),
        words=sentence(
            "{k} of the {n} installs left under read at least the minimum on the gauge "
            "that set them{why}.",
            k=k or "None",
            n=n,
            why=why,
        ),
        href="gauges.html#curves",
        method="method-correction",
    )
