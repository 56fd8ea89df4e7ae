"""Woodhouse, *Euphonics*, section 5.4.3, natural frequencies of a stiff string."""

import pytest

from fleetbelt.belt import pinned_ratio, stiffness_number


def test_pinned_stiffness_raises_the_pitch_by_one_per_cent():
    """VIB-4: form opened, number derived; 600 N, 200 mm, EI = 0.05 N m2."""
    stiffness = stiffness_number(tension_n=600.0, span_mm=200.0, bending_n_m2=0.05)

    ratio = pinned_ratio(stiffness)

    assert ratio == pytest.approx(1.0102285, abs=5e-8)
    assert ratio**2 - 1 == pytest.approx(0.02056, abs=5e-6)


def test_the_small_stiffness_form_of_rayleigh_is_its_first_term():
    stiffness = stiffness_number(tension_n=600.0, span_mm=200.0, bending_n_m2=1e-4)
    rayleigh = 1 + 9.8696044 * 1e-4 / (2 * 600.0 * 0.2**2)

    assert pinned_ratio(stiffness) == pytest.approx(rayleigh, abs=1e-9)
