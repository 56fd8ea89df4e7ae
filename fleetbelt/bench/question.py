"""One question at the bench, what this gauge must show here, and its answer."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Final, Literal

import polars as pl

from fleetbelt.belt.drive import Drive, Span, lay_out
from fleetbelt.bench.gauging import (
    Gauge,
    find_gauge,
    gauges_of_shop,
    no_number,
    repeatability,
    scales,
)
from fleetbelt.bench.records import Records
from fleetbelt.bench.spans import find_span, in_words
from fleetbelt.bench.target import Found, Judgement, Scale, Target, aim, behind, judge
from fleetbelt.errors import InputError
from fleetbelt.settings import Intake

BeltState = Literal["new", "used"]
STATES: Final[tuple[BeltState, ...]] = ("new", "used")
WORTH_SAYING: Final = 0.005  # gain in the chance of being in range


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked at the bench.

    Attributes
    ----------
    gauge_id : str
    vehicle_id, drive_id : str or None
        At least one; of a vehicle, its main drive where no drive is named.
    span : str or None
        As typed; None: the longest span that a gauge reaches.
    readings : tuple of float
        What the gauge showed, in its unit.
    """

    gauge_id: str
    vehicle_id: str | None = None
    drive_id: str | None = None
    span: str | None = None
    readings: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """A range as published, and whether another source disagrees."""

    words: str
    min_n: float
    max_n: float
    is_disputed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Surer:
    """Another gauge or span of the shop with which a belt is surer in range.

    Attributes
    ----------
    gauge : Gauge
    span : Span
    p_in, p_in_asked : float
        Chance of being in range with it, and with what was asked for.
    """

    gauge: Gauge
    span: Span
    p_in: float
    p_in_asked: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """The drive a question is about, and the vehicle it is on.

    Attributes
    ----------
    drive_id : str
    vehicle : Mapping
        Its row of ``staging.vehicles``; empty where only a drive was named.
    facts : Mapping
        The drive's row of ``staging.drives``; empty where it has none.
    """

    drive_id: str
    vehicle: Mapping[str, Any]
    facts: Mapping[str, Any]

    @property
    def mass_g_per_m(self) -> float | None:
        """Return the mass of the belt, g/m, where it is recorded."""
        mass = self.facts.get("belt_mass_kg_per_m")
        return None if mass is None else mass * 1e3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """What the gauge must show, and what its readings meant.

    Attributes
    ----------
    subject : Subject
    gauge : Gauge
    span : Span
    drive : Drive
    scale : Scale
    published : Mapping of belt state to Published or None
    targets : Mapping of belt state to Target or None
        None where no range is published: never a guess.
    surer : Surer or None
    loads_n : tuple of float
        Lowest and highest load of the gauge's calibrations, N; empty without any.
    spans_mm : tuple of float
        Spans the gauge was calibrated at, mm.
    calibrated_on : str
        Day of its last calibration; empty without any.
    found : Found or None
        The tension behind the readings.
    judgements : Mapping of belt state to Judgement
        Empty without readings.
    """

    subject: Subject
    gauge: Gauge
    span: Span
    drive: Drive
    scale: Scale
    published: Mapping[BeltState, Published | None]
    targets: Mapping[BeltState, Target | None]
    surer: Surer | None
    loads_n: tuple[float, ...]
    spans_mm: tuple[float, ...]
    calibrated_on: str
    found: Found | None
    judgements: Mapping[BeltState, Judgement]


def answer(records: Records, question: Question) -> Answer:
    """Return what the gauge must show, and what its readings meant.

    Parameters
    ----------
    records : Records
        What is known of the fleet.
    question : Question
        What is asked.

    Returns
    -------
    Answer
        Of the belt's two states.

    Raises
    ------
    InputError
        The records do not know the vehicle, drive, gauge or span.
    NoNumberError
        The gauge may give none on this span.
    """
    subject = find_subject(records, question)
    gauge = find_gauge(records, question.gauge_id)
    drive = lay_out(records.pulleys.filter(drive_id=subject.drive_id))
    span = _span(records, question, gauge, drive)
    _refuse_impossible(span, subject, records.settings.intake)
    published = {state: _published(records, subject, state) for state in STATES}
    (scale,) = scales(records, [(gauge, span)], mass_g_per_m=subject.mass_g_per_m)
    if scale is None:
        limits = [n for p in published.values() if p for n in (p.min_n, p.max_n)]
        raise no_number(
            records, gauge, span, drive, drive_id=subject.drive_id, limits_n=limits
        )
    targets = _targets(scale, published)
    found = None
    if question.readings:
        found = behind(scale, question.readings, repeatability(records, gauge))
    known = records.calibrations.filter(gauge_id=gauge.gauge_id)
    return Answer(
        subject=subject,
        gauge=gauge,
        span=span,
        drive=drive,
        scale=scale,
        published=published,
        targets=targets,
        surer=_surer(records, subject, (gauge, span), drive, published),
        loads_n=tuple(sorted(set(known["reference_n"]))),
        spans_mm=tuple(records.fit.curves.filter(gauge_id=gauge.gauge_id)["span_mm"]),
        calibrated_on=str(known["date"].max()) if known.height else "",
        found=found,
        judgements={
            state: judge(found, targets[state], records.rules)
            for state in STATES
            if found is not None
        },
    )


def find_subject(records: Records, question: Question) -> Subject:
    """Return the drive and the vehicle that a question names.

    Raises
    ------
    InputError
        The records do not know them.
    """
    vehicle: Mapping[str, Any] = {}
    drive_id = question.drive_id
    if question.vehicle_id is not None:
        vehicle = _row(records.vehicles, "vehicle_id", question.vehicle_id, "--vehicle")
        drive_id = _drive_of(records, vehicle, drive_id)
    elif drive_id is not None:
        _row(records.drives, "drive_id", drive_id, "--drive")
    if drive_id is None:
        raise InputError(
            what="No vehicle and no drive is named.",
            where="--vehicle and --drive",
            fix="give --vehicle ID or --drive ID.",
        )
    rows = records.drives.filter(drive_id=drive_id)
    facts = rows.row(0, named=True) if rows.height else {}
    return Subject(drive_id=drive_id, vehicle=vehicle, facts=facts)


def _drive_of(records: Records, vehicle: Mapping[str, Any], asked: str | None) -> str:
    """Return the vehicle's main drive, or the one asked for if a belt of it was on."""
    own = records.belts.filter(vehicle_id=vehicle["vehicle_id"])["drive_id"]
    known = dict.fromkeys([vehicle["drive_id"], *sorted(own.drop_nulls())])
    if asked is not None and asked not in known:
        raise InputError(
            what=f"Vehicle {vehicle['vehicle_id']} has no belt on drive '{asked}'.",
            where=f"--drive; the vehicle's drives: {', '.join(known)}",
            fix="give one of these, or leave --vehicle out.",
        )
    return asked or str(vehicle["drive_id"])


def _row(frame: pl.DataFrame, key: str, value: str, where: str) -> Mapping[str, Any]:
    rows = frame.filter(pl.col(key) == value)
    if rows.is_empty():
        near = get_close_matches(value, frame[key].to_list(), n=3)
        raise InputError(
            what=f"No record names '{value}'.",
            where=where,
            fix=f"give one of the records', for example {', '.join(near)}."
            if near
            else f"give one that stands in column {key} of the records.",
        )
    return rows.row(0, named=True)


def _span(records: Records, question: Question, gauge: Gauge, drive: Drive) -> Span:
    """Return the span asked for; else the longest reached one where it has a number."""
    if question.span is not None:
        return find_span(question.span, drive)
    reached = drive.reached
    if not reached:
        why = drive.fault or "gauge_access of pulleys.csv says yes for none"
        raise InputError(
            what=f"No span is given, and none of the drive is known to be reached: "
            f"{why}.",
            where="--span",
            fix="measure the span and give its length, for example --span 178mm.",
        )
    read = scales(records, [(gauge, span) for span in reached], mass_g_per_m=1.0)
    return next(
        (span for span, scale in zip(reached, read, strict=True) if scale), reached[0]
    )


def _refuse_impossible(span: Span, subject: Subject, intake: Intake) -> None:
    """Refuse a length that no span has: a belt runs there and back."""
    belt_mm = subject.facts.get("belt_length_mm")
    least, most = intake.min_span_mm, intake.max_span_mm
    whose = ""
    if belt_mm is not None and belt_mm / 2 < most:
        most, whose = belt_mm / 2, f", half of its belt's {belt_mm:.0f} mm"
    if not least <= span.length_mm <= most:
        raise InputError(
            what=f"No span of drive {subject.drive_id} can be {in_words(span)} long.",
            where="--span",
            fix=f"give a length from {least:.0f} mm to {most:.0f} mm{whose}.",
        )


def _published(
    records: Records, subject: Subject, state: BeltState
) -> Published | None:
    rows = records.ranges.filter(drive_id=subject.drive_id, belt_state=state)
    if rows.is_empty():
        return None
    row = rows.row(0, named=True)
    return Published(
        words=row["as_published"],
        min_n=row["spec_min_n"],
        max_n=row["spec_max_n"],
        is_disputed=row["is_disputed"],
    )


def _targets(
    scale: Scale, published: Mapping[BeltState, Published | None]
) -> dict[BeltState, Target | None]:
    return {
        state: aim(scale, min_n=known.min_n, max_n=known.max_n) if known else None
        for state, known in published.items()
    }


def _surer(
    records: Records,
    subject: Subject,
    asked: tuple[Gauge, Span],
    drive: Drive,
    published: Mapping[BeltState, Published | None],
) -> Surer | None:
    """Return the best other gauge or span, judged by the narrower of the ranges."""
    ranges = [known for known in published.values() if known]
    if not ranges:
        return None
    others = [g for g in gauges_of_shop(records, asked[0].shop) if g != asked[0]]
    pairs: Sequence[tuple[Gauge, Span]] = [
        asked,
        *((asked[0], span) for span in drive.reached),
        *((gauge, span) for gauge in others for span in drive.reached or [asked[1]]),
    ]
    chances = [
        min(aim(scale, min_n=r.min_n, max_n=r.max_n).p_in for r in ranges)
        if scale
        else 0.0
        for scale in scales(records, pairs, mass_g_per_m=subject.mass_g_per_m)
    ]
    best = max(range(len(pairs)), key=chances.__getitem__)
    if chances[best] < chances[0] + WORTH_SAYING:
        return None
    gauge, span = pairs[best]
    return Surer(gauge=gauge, span=span, p_in=chances[best], p_in_asked=chances[0])
