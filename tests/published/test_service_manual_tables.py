"""Tables of public service and owner's manuals, makers withheld; facts as printed.

"Opened": the numbers were read in the manual. They are fixtures for the formulas, not
specifications of anything.
"""

import numpy as np
import pytest
from scipy.optimize import fsolve

from fleetbelt.belt import (
    INCH_RULE,
    deflection_force_n,
    handbook_force_n,
    tension_from_deflection_n,
    tension_from_frequency_n,
)
from fleetbelt.units import MM_PER_INCH, NEWTONS_PER

LBF = NEWTONS_PER["lbf"]

# the same drive's range with the gauge reading in newtons and in hertz, mid-values
PAIRED_N = np.array([567.0, 356.0, 522.5])
PAIRED_HZ = np.array([177.0, 140.0, 170.0])
# the same table's second drive
UNPAIRED_N = np.array([580.0, 335.0, 425.0])
UNPAIRED_HZ = np.array([183.0, 131.0, 158.0])

# force at 0.2 in of deflection against the static tension per strand
FORCE_LBF = np.array([5.9, 6.3, 5.2, 5.5])
STRAND_LBF = np.array([87.0, 93.2, 74.5, 80.8])


def test_tension_goes_with_the_square_of_the_pitch_in_a_published_pair_table():
    """VIB-9, opened: one mass and span explain all three rows to half a per cent."""
    one_metre = tension_from_frequency_n(
        frequency_hz=PAIRED_HZ, span_mm=1000.0, mass_g_per_m=1000.0
    )
    inertia_kg_m = PAIRED_N / one_metre

    assert inertia_kg_m[0] == pytest.approx(0.004524, abs=1e-6)
    assert 4 * inertia_kg_m == pytest.approx([0.018098, 0.018163, 0.018080], abs=5e-7)
    assert np.ptp(inertia_kg_m) / inertia_kg_m.mean() == pytest.approx(0.0046, abs=5e-5)
    assert tension_from_frequency_n(
        frequency_hz=PAIRED_HZ, span_mm=1000.0, mass_g_per_m=inertia_kg_m[0] * 1e3
    ) == pytest.approx(PAIRED_N, rel=5e-3)


def test_another_drive_of_that_table_fits_no_mass_at_all():
    """VIB-10, opened: do not take a belt's mass from one published pair."""
    one_metre = tension_from_frequency_n(
        frequency_hz=UNPAIRED_HZ, span_mm=1000.0, mass_g_per_m=1000.0
    )
    per_square = 4 * UNPAIRED_N / one_metre

    assert per_square == pytest.approx([0.01732, 0.01952, 0.01702], abs=5e-6)
    assert np.ptp(per_square) / per_square.mean() == pytest.approx(0.14, abs=5e-3)


def test_the_stretch_of_the_belt_explains_a_published_deflection_table():
    """DEF-7, opened: 16 F exceeds T by a near-constant, the ``(L / L_b) Y`` term."""
    span_mm = 0.2 / INCH_RULE * MM_PER_INCH
    at = {"span_mm": span_mm, "deflection_mm": 0.2 * MM_PER_INCH}
    naive_lbf = tension_from_deflection_n(force_n=FORCE_LBF * LBF, **at) / LBF
    extra_lbf = 16 * FORCE_LBF - STRAND_LBF
    stretch_n_per_mm = 7.725 * LBF / (2 * INCH_RULE**2 * span_mm)

    explained_n = handbook_force_n(
        tension_n=STRAND_LBF * LBF, stretch_n_per_mm=stretch_n_per_mm, **at
    )

    assert extra_lbf == pytest.approx([7.4, 7.6, 8.7, 7.2], abs=1e-9)
    assert extra_lbf.mean() == pytest.approx(7.725, abs=1e-9)
    assert naive_lbf - STRAND_LBF == pytest.approx([7.725] * 4, abs=1.1)
    assert 16 * explained_n / LBF == pytest.approx(16 * FORCE_LBF, abs=1.0)


def test_that_table_prints_newtons_to_within_one():
    """DEF-8, opened: 387, 414, 332, 359 N."""
    strand_n = STRAND_LBF * LBF

    assert strand_n == pytest.approx([386.995, 414.574, 331.393, 359.416], abs=5e-4)
    assert strand_n == pytest.approx([387, 414, 332, 359], abs=1.0)


def test_two_rows_of_a_published_table_give_the_span_and_the_stretch():
    """DEF-9: 98 N gives 6.75 mm at 785 N, 10.0 mm at 415 N, mid-values opened.

    The solution is derived, in the handbook's form: our own illustration. Without
    stretch the two rows want spans of 216.3 and 169.4 mm.
    """
    tension_n, deflection_mm = np.array([785.0, 415.0]), np.array([6.75, 10.0])

    def miss_n(unknown, force_of):
        force_n = force_of(
            tension_n=tension_n,
            span_mm=unknown[0],
            deflection_mm=deflection_mm,
            stretch_n_per_mm=unknown[1],
        )
        return force_n - 98.0

    span_mm, stretch_n_per_mm = fsolve(miss_n, [200.0, 100.0], args=(handbook_force_n,))
    exact = fsolve(miss_n, [200.0, 100.0], args=(deflection_force_n,))

    assert span_mm == pytest.approx(237.1, abs=0.05)
    assert stretch_n_per_mm == pytest.approx(196.7, abs=0.05)
    assert 4 * tension_n * deflection_mm / 98.0 == pytest.approx(
        [216.3, 169.4], abs=0.05
    )
    assert exact == pytest.approx([237.1, 196.7], rel=0.012)
