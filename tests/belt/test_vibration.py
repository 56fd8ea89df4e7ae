"""Vibration of a span; rows VIB of the checks, 6 ribs of 18 g/m unless said."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import Legendre
from numpy.polynomial.legendre import leggauss
from scipy.linalg import eigh

from fleetbelt.belt import (
    clamped_ratio,
    clamped_ratio_series,
    frequency_hz,
    pinned_ratio,
    relative_uncertainty,
    running_ratio,
    stiffness_number,
    stiffness_uncertainty,
    tension_from_frequency_n,
    wave_speed_m_s,
)
from fleetbelt.errors import InputError
from fleetbelt.units import MM_PER_INCH, NEWTONS_PER

SIX_RIBS_G_PER_M = 6 * 18.0  # value from memory: typical, not a standard value
VIB_1 = {"tension_n": 600.0, "span_mm": 200.0, "mass_g_per_m": SIX_RIBS_G_PER_M}

steady = settings(derandomize=True, deadline=None)
tensions = st.floats(50.0, 2000.0)
spans = st.floats(60.0, 600.0)
masses = st.floats(20.0, 300.0)


def test_a_span_sounds_at_the_pitch_of_an_ideal_string():
    """VIB-1, derived."""
    assert wave_speed_m_s(600.0, SIX_RIBS_G_PER_M) == pytest.approx(74.5356, abs=5e-5)
    assert frequency_hz(**VIB_1) == pytest.approx(186.3390, abs=5e-5)


def test_a_pitch_of_180_hz_means_560_newtons():
    """VIB-2, derived."""
    tension_n = tension_from_frequency_n(
        frequency_hz=180.0, span_mm=200.0, mass_g_per_m=SIX_RIBS_G_PER_M
    )

    assert tension_n == pytest.approx(559.872, rel=1e-12)
    assert tension_n / NEWTONS_PER["lbf"] == pytest.approx(125.8642, abs=5e-5)


def test_a_four_rib_belt_weighs_in_by_its_ribs():
    """VIB-3, derived."""
    tension_n = tension_from_frequency_n(
        frequency_hz=120.0, span_mm=250.0, mass_g_per_m=4 * 18.0
    )

    assert tension_n == pytest.approx(259.2, rel=1e-12)


@pytest.mark.parametrize(
    ("bending_n_m2", "pitch_hz", "ratio", "over_read"),
    [(0.05, 207.1685, 1.111783, 0.2361), (0.01, 194.6729, 1.044725, 0.09145)],
)
def test_clamped_ends_make_a_short_span_read_high(
    bending_n_m2, pitch_hz, ratio, over_read
):
    """VIB-5 and VIB-6, derived: the exact root of the clamped beam."""
    stiffness = stiffness_number(
        tension_n=600.0, span_mm=200.0, bending_n_m2=bending_n_m2
    )

    clamped = clamped_ratio(stiffness)

    assert clamped * frequency_hz(**VIB_1) == pytest.approx(pitch_hz, abs=5e-5)
    assert clamped == pytest.approx(ratio, abs=5e-7)
    assert clamped**2 - 1 == pytest.approx(over_read, abs=5e-5)


def test_the_textbook_series_falls_short_of_the_clamped_root():
    """VIB-5, derived."""
    stiffness = stiffness_number(tension_n=600.0, span_mm=200.0, bending_n_m2=0.05)

    series = clamped_ratio_series(stiffness)

    assert series == pytest.approx(1.109901, abs=5e-7)
    assert series * frequency_hz(**VIB_1) == pytest.approx(206.818, abs=5e-4)


def test_a_running_span_sounds_lower():
    """VIB-7, derived."""
    ratio = running_ratio(
        tension_n=600.0, mass_g_per_m=SIX_RIBS_G_PER_M, belt_speed_m_s=20.0
    )

    assert ratio == pytest.approx(0.928, rel=1e-12)
    assert ratio * frequency_hz(**VIB_1) == pytest.approx(172.9226, abs=5e-5)


def test_uncertainties_of_pitch_span_and_mass_add_in_squares():
    """VIB-8, derived: square root of 4 + 4 + 9 per cent."""
    assert relative_uncertainty(frequency=0.01, span=0.01, mass=0.03) == pytest.approx(
        0.041231, abs=5e-7
    )


def test_stiffness_adds_its_own_doubt():
    doubt = relative_uncertainty(frequency=0.0, span=0.0, mass=0.03, stiffness=0.04)

    assert doubt == pytest.approx(0.05)


def test_the_doubt_from_stiffness_is_the_mean_square_between_pinned_and_clamped():
    stiffness = stiffness_number(tension_n=600.0, span_mm=200.0, bending_n_m2=0.01)
    low, high = pinned_ratio(stiffness) ** 2 - 1, clamped_ratio(stiffness) ** 2 - 1
    anywhere_between = np.linspace(low, high, 20_001)

    doubt = stiffness_uncertainty(stiffness)

    assert doubt == pytest.approx(np.sqrt(np.mean(anywhere_between**2)), rel=1e-4)
    assert low < doubt < high


def test_a_limp_belt_is_a_string():
    for ratio in (pinned_ratio, clamped_ratio, clamped_ratio_series):
        assert ratio(0.0) == pytest.approx(1.0, abs=0)
    assert stiffness_uncertainty(0.0) == pytest.approx(0.0, abs=0)


def test_a_slack_span_is_a_clamped_bar():
    """A bar's first root is 4.730041 (Rayleigh, section 173), value from memory."""
    stiffness = 1e4

    bar = 4.7300407448627**2 * stiffness / np.pi

    assert clamped_ratio(stiffness) == pytest.approx(bar, rel=1e-7)


def _ritz_ratio(stiffness: float, n_shapes: int = 16) -> float:
    """Return the clamped ratio by energy: even polynomials flat at both ends."""
    x, weight = leggauss(80)
    edge = Legendre.fromroots([-1, -1, 1, 1])
    shapes = [edge * Legendre.basis(2 * k) for k in range(n_shapes)]
    value, slope, bend = (
        np.array([shape.deriv(order)(x) for shape in shapes]) for order in (0, 1, 2)
    )
    stiff = (
        4 * (slope * weight) @ slope.T + 16 * stiffness**2 * (bend * weight) @ bend.T
    )
    squared = eigh(stiff, (value * weight) @ value.T, eigvals_only=True)[0]
    return float(np.sqrt(squared) / np.pi)


@pytest.mark.parametrize("stiffness", [0.03, 0.1, 0.3, 1.0, 3.0])
def test_the_clamped_root_agrees_with_an_energy_method(stiffness):
    assert clamped_ratio(stiffness) == pytest.approx(_ritz_ratio(stiffness), rel=1e-8)


@steady
@given(st.floats(1e-6, 1e3))
def test_the_clamped_root_solves_the_frequency_equation(stiffness):
    """Held as ``w sin(w) cosh(u) + u sinh(u) cos(w) = 0`` over ``cosh(u)``."""
    product = np.pi * clamped_ratio(stiffness) / (4 * stiffness)  # u w
    half = 0.5 / stiffness  # u**2 - w**2 = half**2
    w = np.sqrt(2 * product**2 / (half**2 + np.hypot(half**2, 2 * product)))
    u = product / w

    assert w * np.sin(w) + u * np.tanh(u) * np.cos(w) == pytest.approx(
        0, abs=1e-9 * max(u, 1)
    )


@steady
@given(st.floats(1e-6, 1e2))
def test_clamped_ends_sound_higher_than_pinned_ones(stiffness):
    assert clamped_ratio(stiffness) > 1.0
    assert pinned_ratio(stiffness) < clamped_ratio(stiffness)


@steady
@given(tensions, spans, masses)
def test_tension_and_pitch_are_inverse(tension_n, span_mm, mass_g_per_m):
    pitch_hz = frequency_hz(
        tension_n=tension_n, span_mm=span_mm, mass_g_per_m=mass_g_per_m
    )

    assert tension_from_frequency_n(
        frequency_hz=pitch_hz, span_mm=span_mm, mass_g_per_m=mass_g_per_m
    ) == pytest.approx(tension_n, rel=1e-12)


@steady
@given(tensions, spans, masses)
def test_a_pitch_in_inches_and_pounds_is_the_same_pitch(
    tension_lbf, span_in, pounds_per_1000_in
):
    """f = sqrt(T g_c / w) / 2 L in in, lbf, lb/in and s; g_c = 386.0886 in/s2."""
    pounds_per_in = pounds_per_1000_in / 1e3
    pitch_hz = np.sqrt(tension_lbf * (9806.65 / 25.4) / pounds_per_in) / (2 * span_in)

    assert frequency_hz(
        tension_n=tension_lbf * NEWTONS_PER["lbf"],
        span_mm=span_in * MM_PER_INCH,
        mass_g_per_m=pounds_per_in * 453.59237 / 0.0254,
    ) == pytest.approx(pitch_hz, rel=1e-12)


def test_a_running_wave_takes_the_time_of_its_round_trip():
    c = float(wave_speed_m_s(600.0, SIX_RIBS_G_PER_M))
    there_and_back_s = 0.2 / (c + 20.0) + 0.2 / (c - 20.0)

    pitch_hz = frequency_hz(**VIB_1) * running_ratio(
        tension_n=600.0, mass_g_per_m=SIX_RIBS_G_PER_M, belt_speed_m_s=20.0
    )

    assert pitch_hz == pytest.approx(1 / there_and_back_s, rel=1e-12)


def test_a_belt_at_its_wave_speed_has_no_pitch():
    with pytest.raises(InputError, match="own wave speed"):
        running_ratio(tension_n=100.0, mass_g_per_m=100.0, belt_speed_m_s=[10.0, 32.0])


@pytest.mark.parametrize("wrong", ["frequency_hz", "span_mm", "mass_g_per_m"])
def test_nothing_is_made_of_a_number_at_or_below_zero(wrong):
    inputs = {"frequency_hz": 180.0, "span_mm": 200.0, "mass_g_per_m": 108.0}

    with pytest.raises(InputError, match=f"{wrong} is 0; it must be more than zero"):
        tension_from_frequency_n(**(inputs | {wrong: [1.0, 0.0]}))


def test_negative_stiffness_is_refused():
    with pytest.raises(InputError, match=r"bending_n_m2 is -0\.01; it must be"):
        stiffness_number(tension_n=600.0, span_mm=200.0, bending_n_m2=-0.01)


def test_a_missing_reading_stays_missing():
    tension_n = tension_from_frequency_n(
        frequency_hz=[180.0, np.nan], span_mm=200.0, mass_g_per_m=SIX_RIBS_G_PER_M
    )

    np.testing.assert_array_equal(np.isnan(tension_n), [False, True])
