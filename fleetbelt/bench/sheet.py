"""The technician's sheet: one printable page a vehicle, in one HTML file."""

import math
import os
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from fleetbelt.belt.drive import PulleyEstimate, pulley_estimates
from fleetbelt.bench import words
from fleetbelt.bench.question import STATES, Answer, BeltState, Subject
from fleetbelt.bench.records import Records
from fleetbelt.bench.spans import in_words
from fleetbelt.bench.week import Refusal
from fleetbelt.render.drawing import drive_drawing
from fleetbelt.resources import bundled


def sheet_html(records: Records, found: Sequence[Answer | Refusal]) -> str:
    """Return the sheets as one HTML file that needs no network.

    Parameters
    ----------
    records : Records
        For the as-of day and the minutes of run-in.
    found : sequence of Answer or Refusal
        One page each.

    Returns
    -------
    str
        Text from files escaped, no script.
    """
    template = Environment(
        loader=FileSystemLoader(bundled("reports")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("bench/sheet.html.j2")
    return template.render(
        title="What the gauge must show",
        sheets=[_sheet(one) for one in found],
        run_minutes=f"{records.settings.belts.run_in_minutes:g}",
        as_of=records.as_of,
        version=version("fleetbelt"),
    )


def write_sheet(path: Path, html: str) -> Path:
    """Write a sheet, all of it or nothing."""
    temporary = path.with_name(f".{path.name}.part")
    temporary.write_text(html, encoding="utf-8", newline="\n")
    os.replace(temporary, path)  # noqa: PTH105 -- over an existing file, everywhere
    return path


def _sheet(found: Answer | Refusal) -> dict[str, Any]:
    subject = found.subject
    head = {"subject": words.subject(subject), "facts": _facts(subject)}
    if isinstance(found, Refusal):
        return head | {"gauge": found.gauge_id, "refusal": found.error}
    return head | _numbers(found) | _drive(found)


def _numbers(answer: Answer) -> dict[str, Any]:
    return {
        "refusal": None,
        "gauge": answer.gauge.gauge_id,
        "span": in_words(answer.span).replace("_", " "),
        "number": answer.span.number,
        "boxes": [_box(answer, state) for state in STATES],
        "readings": words.readings(answer, STATES),
        "doubts": " ".join(words.doubts(answer)),
        "why": [
            *((f"{state} belt", words.published(answer, state)) for state in STATES),
            ("correction", words.how_corrected(answer)),
            *(
                (f"sure, {state}", words.how_sure(target))
                for state in STATES
                if (target := answer.targets[state])
            ),
            ("surer", words.surer(answer)),
        ],
    }


def _box(answer: Answer, state: BeltState) -> dict[str, str]:
    target = answer.targets[state]
    box = {"title": words.STATE_WORDS[state].upper(), "target": ""}
    if target is None:
        return box
    low, middle, high = words.on_scale(answer.gauge, target)
    return box | {
        "low": low, "target": middle, "high": high, "unit": answer.gauge.unit
    }  # fmt: skip


def _drive(answer: Answer) -> dict[str, Any]:
    drive, advice = answer.drive, ""
    best = drive.reached[0] if drive.reached else None
    if best is not None and best.number != answer.span.number:
        advice = f"The longest of them is {best.number}, {best.length_mm:.0f} mm."
    known = [state for state in STATES if answer.published[state]]
    has_room = answer.found is None and drive.layout is not None
    estimates = _estimates(answer) if has_room else []
    return {
        "drawing": drive.layout
        and drive_drawing(
            drive.layout,
            is_reached=[span.is_accessible for span in drive.spans],
            measured=answer.span.number - 1 if answer.span.number else None,
            word="measure here" if answer.span.is_accessible else "asked for",
        ),
        "advice": advice,
        "fault": drive.fault,
        "hub_heads": known,
        "loads": [_load(one, known) for one in estimates],
    }


def _estimates(answer: Answer) -> list[PulleyEstimate]:
    """Return what the published ranges mean for the drive."""
    limits: dict[str, tuple[float, float]] = {
        state: (known.min_n, known.max_n)
        for state, known in answer.published.items()
        if known
    }
    layout = answer.drive.layout
    return pulley_estimates(layout, limits) if layout else []


def _load(one: PulleyEstimate, known: Sequence[BeltState]) -> dict[str, Any]:
    return {
        "name": one.name.replace("_", " "),
        "side": one.side,
        "wrap": f"{one.wrap_deg:.0f}°",
        "held": "{:.0f} to {:.0f} N".format(*one.held_n["used"])
        if "used" in known and not math.isnan(one.grip)
        else "",
        "hubs": ["{:.0f} to {:.0f} N".format(*one.hub_n[state]) for state in known],
    }


def _facts(subject: Subject) -> str:
    """Say what is known of the drive in a line."""
    facts, vehicle = subject.facts, subject.vehicle
    parts = [
        vehicle.get("depot"),
        facts.get("description"),
        f"{facts['ribs']} ribs" if facts.get("ribs") else None,
        f"belt {facts['part_number']}" if facts.get("part_number") else None,
        f"{facts['alternator_pulley'].replace('_', '-')} alternator pulley"
        if facts.get("alternator_pulley")
        else None,
    ]
    return ", ".join(part for part in parts if part)
