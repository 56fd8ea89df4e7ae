"""Colours of the stylesheet: enough contrast for text and for marks, in both themes."""

import re

import pytest

from fleetbelt.resources import bundled

STYLE = (bundled("reports") / "_shared" / "style.css").read_text(encoding="utf-8")
BLOCK = re.compile(r"(:root[^{]*)\{([^}]*)\}")
COLOUR = re.compile(r"--([\w-]+):\s*(#[0-9a-f]{6})")


def _themes():
    found = [dict(COLOUR.findall(body)) for _, body in BLOCK.findall(STYLE)]
    return [colours for colours in found if "paper" in colours]


def _luminance(colour):
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Return the contrast ratio of two colours, WCAG 2.2, 'contrast ratio'."""
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_the_definition():
    """WCAG 2.2: black on white is 21:1; #767676 on white is the greyest that passes."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


def test_the_dark_theme_is_the_same_by_device_and_by_choice():
    light, by_device, by_choice = _themes()

    assert by_device == by_choice
    assert light.keys() == by_choice.keys()


@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("text", ["ink", "soft", "link"])
@pytest.mark.parametrize("ground", ["paper", "card", "mark"])
def test_text_stands_out_from_its_ground(theme, text, ground):
    colours = _themes()[theme]

    assert contrast(colours[text], colours[ground]) >= 4.5


@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("mark", ["main", "warn", "good", "third", "soft", "field"])
def test_marks_stand_out_from_the_card_they_are_drawn_on(theme, mark):
    colours = _themes()[theme]

    assert contrast(colours[mark], colours["card"]) >= 3.0
