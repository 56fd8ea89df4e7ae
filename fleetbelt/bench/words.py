"""The answer in words, for the terminal and for the sheet."""

import math
from typing import Final

from fleetbelt.bench.gauging import Gauge
from fleetbelt.bench.question import STATES, Answer, BeltState, Subject
from fleetbelt.bench.spans import in_words
from fleetbelt.bench.target import UNLIKELY, Found, Judgement, Target
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.render.words import VERDICTS
from fleetbelt.units import MM_PER_INCH, NEWTONS_PER

SAME_LOAD: Final = 0.01
LOAD_MARGIN: Final = 1.1  # a target this far beyond the calibrated loads is doubtful
FAR_OFF: Final = 0.6  # a reading this share from its target is not turned by
Z95: Final = two_sided_z(0.95)
CAUTION: Final = (
    "Estimates, not a repair instruction: the maker's manual and current bulletins, "
    "local codes and licensed practice come first. Engine off, key controlled."
)
STATE_WORDS: Final[dict[BeltState, str]] = {
    "new": "new belt, just fitted",
    "used": "used belt, or after run-in",
}


def answer_text(answer: Answer, asked: tuple[BeltState, ...] = STATES) -> str:
    """Return the answer as text for a terminal.

    Parameters
    ----------
    answer : Answer
        What the gauge must show.
    asked : tuple of {'new', 'used'}
        Belt states to speak of.

    Returns
    -------
    str
        Several lines, what the gauge must show first.
    """
    lines = [_heading(answer), ""]
    lines += [
        f"  {STATE_WORDS[state]:<28}{must_show(answer, state)}" for state in asked
    ]
    lines += ["", "Range as published"]
    lines += [f"  {state:<6}{published(answer, state)}" for state in asked]
    lines += ["Correction", f"  {how_corrected(answer)}"]
    sure = [
        f"  {state:<6}{how_sure(t)}" for state in asked if (t := answer.targets[state])
    ]
    lines += ["How sure", *sure] if sure else []
    lines += ["Surer", f"  {surer(answer)}"]
    if answer.found is not None:
        lines += ["Readings", *(f"  {line}" for line in readings(answer, asked))]
    if found := doubts(answer):
        lines += ["Doubts", *(f"  {line}" for line in found)]
    return "\n".join([*lines, "", CAUTION])


def _heading(answer: Answer) -> str:
    where = f"Gauge {answer.gauge.gauge_id} on {in_words(answer.span)}"
    return f"{subject(answer.subject)}\n{where}"


def subject(asked: Subject) -> str:
    """Say which vehicle and drive it is about."""
    vehicle, drive = asked.vehicle, f"rive {asked.drive_id}"
    if not vehicle:
        return f"D{drive}"
    return f"Vehicle {vehicle['vehicle_id']} ({vehicle['model']}), d{drive}"


def must_show(answer: Answer, state: BeltState) -> str:
    """Say what the gauge must show for one state of the belt."""
    target = answer.targets[state]
    if target is None:
        return "no range is published: no number, never a guess"
    low, middle, high = on_scale(answer.gauge, target)
    return f"must show {middle} {answer.gauge.unit}   ({low} to {high})"


def on_scale(gauge: Gauge, target: Target) -> tuple[str, str, str]:
    """Return low, target and high as the gauge's scale shows them.

    Limits are rounded into the range; where its steps are too coarse for that, one
    more decimal is given.
    """
    step, digits = gauge.step or 10.0**-gauge.digits, gauge.digits
    low = math.ceil(target.low / step - 1e-9) * step
    high = math.floor(target.high / step + 1e-9) * step
    if low > high:
        low, high, step, digits = (
            target.low,
            target.high,
            10.0 ** -(digits + 1),
            digits + 1,
        )
    middle = min(max(round(target.target / step) * step, low), high)
    return f"{low:.{digits}f}", f"{middle:.{digits}f}", f"{high:.{digits}f}"


def published(answer: Answer, state: BeltState) -> str:
    """Say the range as entered, and its middle in true tension."""
    known, target = answer.published[state], answer.targets[state]
    if known is None or target is None:
        return f"no range is published for drive {answer.subject.drive_id}"
    return f"true {tension(answer, target.middle_n)}, the middle of {known.words}"


def tension(answer: Answer, tension_n: float) -> str:
    """Say a tension in newtons, and in the gauge's own unit of force."""
    unit = answer.gauge.unit
    if unit in {"N", "Hz"}:
        return f"{tension_n:.0f} N"
    return f"{tension_n / NEWTONS_PER[unit]:.1f} {unit} ({tension_n:.0f} N)"


def how_corrected(answer: Answer) -> str:
    """Say the correction and where it came from."""
    scale, gauge = answer.scale, answer.gauge
    if gauge.unit == "Hz":
        mass = answer.subject.mass_g_per_m
        return (
            f"tension = 4 m L² f², with m = {mass:.0f} g/m as recorded; true "
            f"{within(scale.u())} for one reading"
        )
    sure = f"true {within(scale.u_corr)}"
    if scale.correction_source in {"pooled", "none"}:
        whose = (
            "as far as the other gauges err"
            if scale.correction_source == "pooled"
            else "by the settings: no gauge of the fleet was ever calibrated"
        )
        return f"NEVER CALIBRATED: taken as it shows, {sure}, {whose}"
    where = "calibrated on this span"
    if scale.correction_source == "between_spans":
        below = max(mm for mm in answer.spans_mm if mm < answer.span.length_mm)
        above = min(mm for mm in answer.spans_mm if mm > answer.span.length_mm)
        where = f"between its calibrated spans {below:.0f} and {above:.0f} mm"
    off = 100 * (1 / scale.correction - 1)
    shows = (
        "true"
        if abs(off) < 0.05
        else f"{abs(off):.1f} % {'low' if off < 0 else 'high'}"
    )
    return (
        f"true = shown x {scale.correction:.5g}, {where}, last on "
        f"{answer.calibrated_on}; it shows {shows} here; {sure}"
    )


def how_sure(target: Target) -> str:
    """Say the chance that a belt set to the target is truly in range."""
    return (
        f"{chance(target.p_in)} truly in range when set by one reading, "
        f"{chance(target.p_in_of_three)} by the mean of three"
    )


def within(u: float) -> str:
    """Say a standard uncertainty of a log as a 95 % interval in per cent."""
    return f"within {100 * Z95 * u:.1f} % (95 % sure)"


def chance(p: float) -> str:
    """Say a chance, never as none or certain."""
    if p > 0.99:
        return "over 99 %"
    return "under 1 %" if p < 0.01 else f"{100 * p:.0f} %"


def surer(answer: Answer) -> str:
    """Say which other gauge or span is surer."""
    found = answer.surer
    if found is None:
        return "no other gauge of the shop or span of the drive is clearly surer"
    return (
        f"{chance(found.p_in)} truly in range instead of {chance(found.p_in_asked)}: "
        f"gauge {found.gauge.gauge_id} on {in_words(found.span)}"
    )


def readings(answer: Answer, asked: tuple[BeltState, ...]) -> list[str]:
    """Say what the readings meant: tension, spread, verdict, and how far to turn."""
    found = answer.found
    if found is None:
        return []
    shown = ", ".join(f"{x:g}" for x in found.readings)
    mean = f", mean {found.mean:.5g}" if len(found.readings) > 1 else ""
    meant = f"true tension {tension(answer, found.tension_n)}"
    said = f"{shown} {answer.gauge.unit}{mean}: {meant}, {within(found.u_log)}"
    return [
        said,
        *([spread(found)] if len(found.readings) > 1 else []),
        *(
            f"{state:<6}{verdict(answer, state, answer.judgements[state])}"
            for state in asked
        ),
    ]


def spread(found: Found) -> str:
    """Say whether the readings agree as well as the gauge repeats itself."""
    words = (
        f"they scatter by {100 * found.spread:.1f} %, where {100 * found.expected:.1f} "
        "% is to be expected of this gauge"
    )
    if found.p_spread >= UNLIKELY:
        return f"{words}: no more than chance"
    return (
        f"{words}: MORE THAN CHANCE, so their own scatter counts; seat the gauge "
        "square, turn the crank two revolutions and read again"
    )


def verdict(answer: Answer, state: BeltState, judged: Judgement) -> str:
    """Say one verdict and how far it is to the target."""
    if answer.targets[state] is None:
        return VERDICTS["no_spec"]
    p, side = max(
        (judged.p_under, "under"), (judged.p_in, "in range"), (judged.p_over, "over")
    )
    turn = _turn(answer.gauge, judged)
    return f"{VERDICTS[judged.verdict]} ({chance(p)} {side}); {turn}"


def _turn(gauge: Gauge, judged: Judgement) -> str:
    """Say how far it is from the readings' mean to the target."""
    if abs(judged.turn) < (gauge.step or 10.0**-gauge.digits) / 2:
        return "on target"
    if abs(judged.turn_share) > FAR_OFF:
        return "too far from the target to turn by: check the unit and the gauge first"
    way = "tighten" if judged.turn > 0 else "loosen"
    return (
        f"to the target {way} by {abs(judged.turn):.{gauge.digits}f} {gauge.unit} "
        f"({100 * judged.turn_share:+.1f} %)"
    )


def doubts(answer: Answer) -> list[str]:
    """Say what the reader should know before trusting the number."""
    found = [_about_span(answer), _about_loads(answer), *_about_ranges(answer)]
    if answer.gauge.unit == "Hz":
        found.append(
            "A stiff belt on a short span rings higher than a string, so the gauge "
            "shows too much; nothing is taken off for it."
        )
    return [doubt for doubt in found if doubt]


def _about_span(answer: Answer) -> str:
    span, reached = answer.span, answer.drive.reached
    if span.name and not span.is_accessible:
        return f"A gauge is not known to reach {span.name}."
    if reached and not span.name:
        listed = "; ".join(in_words(one) for one in reached)
        return (
            f"No span of this drive is {span.length_mm:.0f} mm "
            f"({span.length_mm / MM_PER_INCH:.3g} in) long; a gauge reaches {listed}."
        )
    return ""


def _about_loads(answer: Answer) -> str:
    """Say where a target lies beyond the loads the gauge was calibrated under."""
    if not answer.loads_n:
        return ""
    low, high = min(answer.loads_n), max(answer.loads_n)
    beyond = [
        tension(answer, target.middle_n)
        for target in answer.targets.values()
        if target and not low / LOAD_MARGIN <= target.middle_n <= high * LOAD_MARGIN
    ]
    loads = f"only under {tension(answer, low)}"
    if high / low > 1 + SAME_LOAD:
        loads = f"under {tension(answer, low)} to {tension(answer, high)}"
    return (
        f"The gauge was calibrated {loads}; that its correction holds at "
        f"{' and '.join(beyond)} is taken, not known."
        if beyond
        else ""
    )


def _about_ranges(answer: Answer) -> list[str]:
    return [
        f"Published {state} ranges of this drive disagree by over 3 %; the preferred "
        "source is used, else the first by name."
        for state, known in answer.published.items()
        if known and known.is_disputed
    ]
