"""Exact conversion factors; rows UNI of the checks.

NIST SP 811 (2008), appendix B, value from memory; the arithmetic is verified, and
checked against a units library.
"""

from fractions import Fraction

import pint
import pytest

from fleetbelt.units import (
    KM_PER_MILE,
    MM_PER_INCH,
    NEWTONS_PER,
    STANDARD_GRAVITY_M_S2,
)

LBF, KGF = NEWTONS_PER["lbf"], NEWTONS_PER["kgf"]


@pytest.fixture(scope="module")
def reference() -> pint.UnitRegistry:
    return pint.UnitRegistry()


def _mismatch(printed: float, unit: str, true_n: float) -> float:
    """Return how far a printed force is from the true one, as a share of it."""
    return printed * NEWTONS_PER[unit] / true_n - 1


def test_a_pound_force_is_the_weight_of_an_exact_pound():
    """UNI-1 and UNI-2: 0.45359237 kg at 9.80665 m/s2."""
    exact_n = Fraction("0.45359237") * Fraction("9.80665")

    assert float(exact_n) == LBF


def test_a_kilogram_force_is_9_80665_newtons():
    """UNI-3."""
    assert KGF == STANDARD_GRAVITY_M_S2 == 9.80665
    assert pytest.approx(2.2046226218487757, rel=1e-15) == KGF / LBF


def test_inches_and_miles_are_exact():
    """UNI-4: 25.4 mm and 1609.344 m."""
    assert MM_PER_INCH == 25.4
    assert KM_PER_MILE == 1.609344
    assert pytest.approx(KM_PER_MILE, rel=1e-15) == 5280 * 12 * MM_PER_INCH / 1e6


def test_a_pound_per_inch_is_175_newtons_per_metre():
    """UNI-5."""
    assert pytest.approx(175.1268352, abs=5e-8) == LBF / MM_PER_INCH * 1e3


def test_a_horsepower_is_550_foot_pounds_a_second():
    """UNI-6."""
    foot_m = 12 * MM_PER_INCH / 1e3

    assert 550 * foot_m * LBF == pytest.approx(745.6998716, abs=5e-8)


def test_ranges_in_pounds_become_newtons():
    """UNI-7."""
    assert pytest.approx(778.43878, abs=5e-6) == 175 * LBF
    assert pytest.approx(511.54549, abs=5e-6) == 115 * LBF
    assert pytest.approx(822.92100, abs=5e-6) == 185 * LBF


def test_ten_kilograms_force_are_not_a_hundred_newtons():
    """UNI-8."""
    assert pytest.approx(10.0, rel=1e-15) == 98.0665 / KGF
    assert pytest.approx(22.0462, abs=5e-5) == 98.0665 / LBF
    assert pytest.approx(22.4809, abs=5e-5) == 100.0 / LBF


@pytest.mark.parametrize(
    ("kgf", "true_n", "true_lbf", "printed_n", "printed_lbf"),
    [
        (35, 343.23, 77.16, 340, 77),
        (70, 686.47, 154.32, 690, 150),
        (90, 882.60, 198.42, 880, 200),
    ],
)
def test_published_triads_are_rounded_by_up_to_three_per_cent(
    kgf, true_n, true_lbf, printed_n, printed_lbf
):
    """UNI-9, opened, maker withheld: never derive a range from a converted column."""
    assert kgf * KGF == pytest.approx(true_n, abs=5e-3)
    assert kgf * KGF / LBF == pytest.approx(true_lbf, abs=5e-3)
    assert abs(_mismatch(printed_n, "N", kgf * KGF)) <= 0.03
    assert abs(_mismatch(printed_lbf, "lbf", kgf * KGF)) <= 0.03


def test_a_published_hundred_newtons_printed_as_twelve_pounds_is_far_out():
    """UNI-9, opened, maker withheld: 46.6 per cent low."""
    assert _mismatch(12, "lbf", 100.0) == pytest.approx(-0.466, abs=5e-4)


@pytest.mark.parametrize(
    ("ours", "theirs", "base"),
    [
        (NEWTONS_PER["N"], "newton", "newton"),
        (LBF, "pound_force", "newton"),
        (KGF, "kilogram_force", "newton"),
        (MM_PER_INCH, "inch", "millimeter"),
        (KM_PER_MILE, "mile", "kilometer"),
        (STANDARD_GRAVITY_M_S2, "standard_gravity", "meter / second ** 2"),
    ],
)
def test_factors_agree_with_a_units_library(reference, ours, theirs, base):
    assert reference.Quantity(1.0, theirs).to(base).magnitude == pytest.approx(
        ours, rel=1e-15
    )


def test_every_force_unit_of_the_contract_has_a_factor():
    assert set(NEWTONS_PER) == {"N", "lbf", "kgf"}
