"""The drawing of a drive."""

import re
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from fleetbelt.belt import Pulley, route_belt
from fleetbelt.render.drawing import drive_drawing

SVG = "{http://www.w3.org/2000/svg}"
# Four pulleys, one of them driven by the back of the belt.
PULLEYS = [
    Pulley(name="crank", x_mm=0, y_mm=0, diameter_mm=150),
    Pulley(name="pump", x_mm=95, y_mm=170, diameter_mm=110, side="back"),
    Pulley(name="alternator", x_mm=60, y_mm=330, diameter_mm=60),
    Pulley(name="compressor <b>", x_mm=-200, y_mm=120, diameter_mm=120),
]
LAYOUT = route_belt(PULLEYS)
REACHED = [False, True, False, True]


def drawn(measured=1):
    svg = drive_drawing(LAYOUT, is_reached=REACHED, measured=measured)
    return ET.fromstring(svg)  # noqa: S314 (our own)


def _arc_rad(start, end, radius, *, is_large, is_sweep):
    """Return the angle an SVG arc turns through, and its centre."""
    half = (end - start) / 2
    rise = np.sqrt(max(radius**2 - half @ half, 0)) / np.hypot(*half)
    normal = np.array([-half[1], half[0]]) * (1 if is_large != is_sweep else -1)
    small = 2 * np.arcsin(min(np.hypot(*half) / radius, 1))
    return (2 * np.pi - small if is_large else small), start + half + rise * normal


def test_the_belt_drawn_is_as_long_as_the_belt_and_runs_round_its_pulleys():
    path = drawn().find(f"{SVG}path").get("d")
    steps = re.findall(r"[ML](\S+) (\S+)A(\S+) \S+ 0 ([01]) ([01]) (\S+) (\S+)", path)
    numbers = np.array(steps, dtype=float)
    starts, ends = numbers[:, :2], numbers[:, 5:]
    length = np.hypot(*(np.roll(starts, -1, axis=0) - ends).T).sum()

    for pulley, start, end, (_, _, r, large, sweep, _, _) in zip(
        PULLEYS, starts, ends, numbers, strict=True
    ):
        angle, centre = _arc_rad(
            start, end, r, is_large=bool(large), is_sweep=bool(sweep)
        )
        length += r * angle
        assert centre == pytest.approx([pulley.x_mm, -pulley.y_mm], abs=0.2)
    assert length == pytest.approx(LAYOUT.length_mm, abs=0.2)


def test_pulleys_are_drawn_to_scale_and_back_side_ones_dashed():
    circles = [c for c in drawn().iter(f"{SVG}circle") if c.get("fill") == "none"]

    assert [float(c.get("r")) for c in circles] == [75, 55, 30, 60]
    assert [c.get("stroke-dasharray") is not None for c in circles] == [
        False, True, False, False,
    ]  # fmt: skip


def test_spans_are_numbered_and_those_in_reach_are_black():
    circles = [c for c in drawn().iter(f"{SVG}circle") if c.get("fill") != "none"]
    numbers = [t.text for t in drawn().iter(f"{SVG}text") if t.text.isdigit()]

    assert numbers == ["1", "2", "3", "4"]
    assert [c.get("fill") == "currentColor" for c in circles] == REACHED


def test_the_span_to_measure_on_is_heavy_and_says_its_length():
    heavy, thin = drawn(measured=1), drawn(measured=None)

    assert "measure here, 140 mm" in "".join(heavy.itertext())
    assert len(list(heavy.iter(f"{SVG}path"))) == 1 + len(list(thin.iter(f"{SVG}path")))


def test_the_drawing_says_itself_to_those_who_do_not_see_it():
    said = drawn().get("aria-label")

    assert "1 crank to pump, 145 mm, closed" in said
    assert "measure here: span 2" in said


def test_names_from_files_stay_text():
    svg = drive_drawing(LAYOUT, is_reached=REACHED, measured=None)

    assert "<b>" not in svg
    assert "&lt;b&gt;" in svg


def test_every_label_lies_on_the_paper():
    svg = drawn()
    x, y, width, height = map(float, svg.get("viewBox").split())

    for text in svg.iter(f"{SVG}text"):
        assert x < float(text.get("x")) < x + width
        assert y < float(text.get("y")) < y + height
