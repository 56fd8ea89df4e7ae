"""The method page: how each number is made, from which sources, with which settings."""

import json
from collections.abc import Iterator, Mapping

import polars as pl

from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Page,
    Quantity,
    Section,
    Table,
    missing,
)


def page(frames: Frames) -> Page:
    """Return the method page; its text is in the template."""
    return Page(
        name="method",
        title="The method: how each number is made",
        lead=("What is measured, what is assumed, what is not known.",),
        sections=(_run(frames),),
        context={"given": _given(frames)},
    )


def _given(frames: Frames) -> dict[str, Quantity]:
    """Return the settings that the text quotes."""

    def share(section: str, key: str, default: float) -> Quantity:
        return Quantity(value=frames.setting(section, key, default), kind="share")

    return {
        "reading_sd": Quantity(
            value=frames.number("reading_sd", 0.02), kind="share", digits=1
        ),
        "uncalibrated": share("measurement", "uncalibrated_u", 0.08),
        "firm": share("measurement", "firm_p", 0.8),
        "doubtful": share("measurement", "doubtful_p", 0.2),
        "watched": share("watchlist", "p_under", 0.2),
    }


def _run(frames: Frames) -> Section:
    question = "With which settings and versions was this made?"
    if not frames.facts:
        how = "Run fleetbelt on a folder of records."
        return missing("run", question, "The facts of this run are not there.", how)
    facts = dict(sorted(_spelled_out(frames.facts)))
    return Section(
        key="run",
        question=question,
        answer=("The same files, settings and versions give the same pages again.",),
        table=Table(
            frame=pl.DataFrame({"key": list(facts), "value": list(facts.values())}),
            columns=(
                Column(name="key", label="Fact"),
                Column(name="value", label="Value"),
            ),
            is_open=True,
        ),
    )


def _spelled_out(facts: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Yield the facts, the settings one by one."""
    for key, value in facts.items():
        if key == "settings":
            yield from _settings(json.loads(value), key)
        else:
            yield key, value


def _settings(value: object, name: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _settings(inner, f"{name}.{key}")
    else:
        yield name, _spelled(value)


def _spelled(value: object) -> str:
    if value is None or value == []:
        return "not set"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
