"""The spans of a drive: their names and lengths, and the one that was asked for."""

import re
from dataclasses import replace
from difflib import get_close_matches
from typing import Final

from fleetbelt.belt.drive import Drive, Span
from fleetbelt.errors import InputError
from fleetbelt.units import MM_PER_INCH

_LENGTH: Final = re.compile(r'\s*(\d+(?:\.\d+)?|\.\d+)\s*(mm|in|")\s*', re.IGNORECASE)
_MM_PER: Final = {"mm": 1.0, "in": MM_PER_INCH, '"': MM_PER_INCH}
SAME_SPAN_MM: Final = 5.0  # a length typed this near to a span of the drive is that one


def find_span(asked: str, drive: Drive) -> Span:
    """Return the span that a text asks for.

    Parameters
    ----------
    asked : str
        A length with its unit (``7in``, ``178mm``), or two neighbours
        (``alternator-water_pump``).
    drive : Drive
        Gives a name its length, and a length its name.

    Returns
    -------
    Span
        A length that is no span of the drive has no name.

    Raises
    ------
    InputError
        The text is neither, or the drive has no such span.
    """
    length_mm = parse_length_mm(asked)
    if length_mm is not None:
        return _of_length(length_mm, drive)
    key = _key(asked)
    forward = {_key(span.name): span for span in drive.spans}
    backward = {_key("-".join(span.ends[::-1])): span for span in drive.spans}
    found = forward.get(key) or backward.get(key)
    if found is None:
        raise _no_such_span(asked, drive)
    return found


def parse_length_mm(text: str) -> float | None:
    """Return the length a text gives with its unit, mm; None where it is none."""
    found = _LENGTH.fullmatch(text)
    length_mm = float(found[1]) * _MM_PER[found[2].lower()] if found else 0.0
    return length_mm or None


def in_words(span: Span) -> str:
    """Return a span as people say it: name, mm and inches."""
    length = f"{span.length_mm:.0f} mm ({span.length_mm / MM_PER_INCH:.3g} in)"
    return f"{span.name}, {length}" if span.name else length


def _of_length(length_mm: float, drive: Drive) -> Span:
    near = [s for s in drive.spans if abs(s.length_mm - length_mm) <= SAME_SPAN_MM]
    named = min(
        near,
        key=lambda s: (not s.is_accessible, abs(s.length_mm - length_mm)),
        default=Span(length_mm=length_mm),
    )
    return replace(named, length_mm=length_mm)


def _key(name: str) -> str:
    return re.sub(r"[\s_]+", "_", name.strip()).casefold()


def _no_such_span(asked: str, drive: Drive) -> InputError:
    if not drive.spans:
        return InputError(
            what=f"The span '{asked}' is no length, and names need the drive's "
            f"pulleys: {drive.fault}.",
            where="--span",
            fix="measure the span and give its length, for example 178mm or 7in.",
        )
    names = [span.name for span in drive.spans]
    near = get_close_matches(asked, names, n=1, cutoff=0.4)
    listed = "; ".join(
        f"{in_words(span)}{'' if span.is_accessible else ', not reached by a gauge'}"
        for span in drive.spans
    )
    return InputError(
        what=f"The drive has no span '{asked}'"
        + (f"; is it {near[0]}?" if near else "."),
        where=f"--span; the drive's spans are: {listed}",
        fix="give a length with its unit (178mm or 7in), or two neighbours.",
    )
