"""Force for a deflection; rows DEF of the checks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbelt.belt import (
    INCH_RULE,
    METRIC_RULE,
    belt_constant_n,
    deflection_force_n,
    handbook_force_n,
    sag_mm,
    tension_from_deflection_n,
)
from fleetbelt.errors import InputError
from fleetbelt.units import MM_PER_INCH, NEWTONS_PER

AXIAL_N, BELT_MM = 120e3, 1200.0
DEF_1 = {"tension_n": 600.0, "span_mm": 200.0, "deflection_mm": 200.0 * INCH_RULE}

steady = settings(derandomize=True, deadline=None)
drives = {
    "tension_n": st.floats(50.0, 2000.0),
    "span_mm": st.floats(60.0, 600.0),
    "deflection_mm": st.floats(0.5, 30.0),
    "stretch_n_per_mm": st.floats(0.0, 500.0),
}


def test_exact_geometry_takes_off_a_two_thousandth():
    """DEF-2, derived."""
    force_n = deflection_force_n(**DEF_1)

    assert force_n == pytest.approx(37.48170, abs=5e-6)
    assert force_n / 37.5 - 1 == pytest.approx(-0.000488, abs=5e-7)


def test_the_stretch_of_the_belt_adds_to_the_handbook_force():
    """DEF-3, derived: a sixteenth of ``T + (L / L_b) Y``."""
    y_n = belt_constant_n(AXIAL_N)

    force_n = handbook_force_n(**DEF_1, stretch_n_per_mm=AXIAL_N / BELT_MM)

    assert y_n == pytest.approx(58.59375, rel=1e-12)
    assert force_n == pytest.approx(38.11035, abs=5e-6)
    assert force_n == pytest.approx((600.0 + 200.0 / BELT_MM * y_n) / 16, rel=1e-12)


def test_leaving_the_stretch_out_reads_one_and_a_half_per_cent_high():
    """DEF-4, derived."""
    force_n = deflection_force_n(**DEF_1, stretch_n_per_mm=AXIAL_N / BELT_MM)
    pulled_n = tension_from_deflection_n(
        force_n=force_n, span_mm=200.0, deflection_mm=3.125
    )

    assert force_n == pytest.approx(38.09161, abs=5e-6)
    assert pulled_n == pytest.approx(609.7632, abs=5e-5)
    assert 16 * force_n == pytest.approx(609.466, abs=5e-4)
    assert 16 * force_n / 600 - 1 == pytest.approx(0.01578, abs=5e-6)


def test_the_metric_rule_asks_for_more_force():
    """DEF-5, derived."""
    deflection_mm = 200.0 * METRIC_RULE

    force_n = handbook_force_n(
        tension_n=600.0, span_mm=200.0, deflection_mm=deflection_mm
    )

    assert deflection_mm == pytest.approx(3.2, rel=1e-15)
    assert force_n == pytest.approx(38.4, rel=1e-12)


def test_the_two_rules_differ_by_2_4_per_cent():
    """Derived, section 2 of the checks: do not mix them."""
    assert pytest.approx(0.024, rel=1e-12) == METRIC_RULE / INCH_RULE - 1


@steady
@given(**drives)
def test_tension_and_deflection_force_are_inverse(
    tension_n, span_mm, deflection_mm, stretch_n_per_mm
):
    force_n = deflection_force_n(
        tension_n=tension_n,
        span_mm=span_mm,
        deflection_mm=deflection_mm,
        stretch_n_per_mm=stretch_n_per_mm,
    )

    assert tension_from_deflection_n(
        force_n=force_n,
        span_mm=span_mm,
        deflection_mm=deflection_mm,
        stretch_n_per_mm=stretch_n_per_mm,
    ) == pytest.approx(tension_n, rel=1e-9)


@steady
@given(**drives)
def test_the_force_is_the_slope_of_the_stored_energy(
    tension_n, span_mm, deflection_mm, stretch_n_per_mm
):
    """An independent way: the work of the force is the energy of the longer path."""

    def energy(d):
        added_mm = np.hypot(span_mm, 2 * d) - span_mm
        return tension_n * added_mm + stretch_n_per_mm * added_mm**2 / 2

    step_mm = 1e-4 * deflection_mm
    slope = energy(deflection_mm + step_mm) - energy(deflection_mm - step_mm)

    assert deflection_force_n(
        tension_n=tension_n,
        span_mm=span_mm,
        deflection_mm=deflection_mm,
        stretch_n_per_mm=stretch_n_per_mm,
    ) == pytest.approx(slope / (2 * step_mm), rel=1e-4)


@steady
@given(**drives)
def test_inches_and_pounds_give_the_same_force(
    tension_n, span_mm, deflection_mm, stretch_n_per_mm
):
    lbf = NEWTONS_PER["lbf"]

    in_newtons = deflection_force_n(
        tension_n=tension_n,
        span_mm=span_mm,
        deflection_mm=deflection_mm,
        stretch_n_per_mm=stretch_n_per_mm,
    )
    in_pounds = deflection_force_n(
        tension_n=tension_n / lbf,
        span_mm=span_mm / MM_PER_INCH,
        deflection_mm=deflection_mm / MM_PER_INCH,
        stretch_n_per_mm=stretch_n_per_mm * MM_PER_INCH / lbf,
    )

    assert in_pounds * lbf == pytest.approx(in_newtons, rel=1e-12)


def test_the_handbook_form_is_the_limit_of_small_deflections():
    small = {"tension_n": 600.0, "span_mm": 200.0, "deflection_mm": 0.02}

    exact_n = deflection_force_n(**small, stretch_n_per_mm=100.0)

    assert handbook_force_n(**small, stretch_n_per_mm=100.0) == pytest.approx(
        exact_n, rel=1e-7
    )


def test_a_span_sags_in_a_parabola():
    """Independent: half the span's weight turned about the tangent point."""
    weight_n = 0.108 * 9.80665 * 0.2

    sag = sag_mm(tension_n=600.0, span_mm=200.0, mass_g_per_m=108.0)

    assert 600.0 * sag == pytest.approx(weight_n / 2 * 100 - weight_n / 2 * 50)


def test_a_span_pushed_by_nothing_says_nothing():
    with pytest.raises(InputError, match="deflection_mm is 0"):
        tension_from_deflection_n(force_n=40.0, span_mm=200.0, deflection_mm=0.0)


def test_a_belt_that_shrinks_when_pulled_is_refused():
    with pytest.raises(InputError, match="stretch_n_per_mm is -1"):
        deflection_force_n(**DEF_1, stretch_n_per_mm=-1.0)
