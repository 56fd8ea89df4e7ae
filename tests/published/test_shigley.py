"""Budynas and Nisbett, *Shigley's Mechanical Engineering Design*, 8th ed. (2008).

Chapter 17, flexible elements, and chapter 11, rolling bearings. "Opened": read in a
public copy of the solutions; else "value from memory". The book works in inches,
pounds and horsepower, and rounds to three or four digits. Its V-belt and flat-belt
tensions are of the classic form: the install tension leaves ``Fc`` out.
"""

import numpy as np
import pytest
from scipy.optimize import brentq

from fleetbelt.belt import (
    CONVENTION_FRICTION,
    ROLLER,
    Pulley,
    Running,
    SpanTensions,
    belt_speed_m_s,
    centrifugal_n,
    effective_pull_n,
    grip_ratio,
    life_h,
    open_belt,
    rating_needed_n,
    reliability,
    required_tension_n,
    route_belt,
    sag_mm,
    span_tensions,
)
from fleetbelt.units import MM_PER_INCH, NEWTONS_PER

LBF = NEWTONS_PER["lbf"]
M_PER_FT = 12 * MM_PER_INCH / 1e3
HP_W = 550 * M_PER_FT * LBF
G_PER_M_OF_LB_PER_FT = 453.59237 / M_PER_FT


def _open(small_in, large_in, centre_in):
    return open_belt(
        small_mm=small_in * MM_PER_INCH,
        large_mm=large_in * MM_PER_INCH,
        centre_mm=centre_in * MM_PER_INCH,
    )


def _two_pulleys(small_in, large_in, centre_in):
    small_mm, large_mm, x_mm = MM_PER_INCH * np.array([small_in, large_in, centre_in])
    return route_belt(
        [
            Pulley(name="driver", x_mm=0, y_mm=0, diameter_mm=small_mm),
            Pulley(name="driven", x_mm=x_mm, y_mm=0, diameter_mm=large_mm),
        ]
    )


def _classic(drive, *, pull_lbf, fc_lbf, install_lbf, friction) -> SpanTensions:
    """Run a two-pulley drive; only the product of mass and speed squared counts."""
    running = Running(
        pull_n=np.array([0.0, pull_lbf * LBF]),
        belt_speed_m_s=1.0,
        mass_g_per_m=fc_lbf * LBF * 1e3,
    )
    return span_tensions(
        drive,
        running,
        install_n=install_lbf * LBF,
        friction=np.array([friction, friction]),
        form="classic",
    )


def test_an_open_belt_has_the_wraps_and_length_of_example_17_1():
    """GEO-1, opened: 230.074 in."""
    belt = _open(6, 18, 96)

    assert belt.wrap_small_rad == pytest.approx(3.016511, abs=5e-7)
    assert belt.wrap_large_rad == pytest.approx(3.266674, abs=5e-7)
    assert belt.length_mm / MM_PER_INCH == pytest.approx(230.0742, abs=5e-5)


def test_an_open_belt_has_the_wrap_and_length_of_problem_17_1():
    """GEO-2, opened: 225.3 in in one copy, 225.4 in another."""
    belt = _open(2, 4, 108)

    assert belt.wrap_small_rad == pytest.approx(3.12307, abs=5e-6)
    assert belt.length_mm / MM_PER_INCH == pytest.approx(225.4340, abs=5e-5)
    assert belt.length_mm / MM_PER_INCH == pytest.approx(225.35, abs=0.1)


def test_an_open_belt_has_the_wrap_of_example_17_2():
    """GEO-3: wrap opened, 3.037 rad; inputs from memory."""
    assert _open(16, 36, 192).wrap_small_rad == pytest.approx(3.037, abs=1e-3)


def test_a_flat_belt_carries_the_tensions_of_problem_17_1():
    """SLP-5, opened: Fc .913, T 90, F1 147, F2 57, Fi 101.1 lbf, f' .307."""
    v_m_s = belt_speed_m_s(pitch_diameter_mm=2 * MM_PER_INCH, speed_rpm=1750)
    pounds_per_ft = 12 * 0.035 * 6 * 0.05
    fc_lbf = centrifugal_n(pounds_per_ft * G_PER_M_OF_LB_PER_FT, v_m_s) / LBF
    pull_lbf = effective_pull_n(power_w=2 * 1.25 * HP_W, belt_speed_m_s=v_m_s) / LBF
    allowed_lbf = 6 * 35 * 0.7
    install_lbf = allowed_lbf - pull_lbf / 2 - fc_lbf
    drive = _two_pulleys(2, 4, 108)

    tensions = _classic(
        drive, pull_lbf=pull_lbf, fc_lbf=fc_lbf, install_lbf=install_lbf, friction=0.5
    )

    assert v_m_s / M_PER_FT * 60 == pytest.approx(916.30, rel=1e-5)
    assert pounds_per_ft == pytest.approx(0.126)
    assert fc_lbf == pytest.approx(0.9133, rel=2e-3)
    assert pull_lbf == pytest.approx(90.04, rel=2e-3)
    assert install_lbf == pytest.approx(101.07, rel=2e-3)
    assert tensions.tension_n / LBF == pytest.approx([56.96, 147.0], rel=2e-3)
    assert 0.5 * tensions.utilisation[0] == pytest.approx(0.3067, rel=2e-3)
    assert grip_ratio(0.5, drive.wrap_rad[0]) == pytest.approx(4.766, rel=2e-3)


def test_a_flat_belt_just_grips_in_example_17_2():
    """SLP-6, opened: e 11.35, F1 802, F2 138, Fi 396.6 lbf, f' .80."""
    drive = _two_pulleys(16, 36, 192)
    grip = grip_ratio(0.80, drive.wrap_rad[0])
    install_n = required_tension_n(
        pull_n=664 * LBF, grip=grip, centrifugal_n=73.4 * LBF, form="classic"
    )

    tensions = _classic(
        drive, pull_lbf=664, fc_lbf=73.4, install_lbf=install_n / LBF, friction=0.80
    )

    assert grip == pytest.approx(11.354, rel=2e-3)
    assert install_n / LBF == pytest.approx(396.13, rel=2e-3)
    assert tensions.tension_n / LBF == pytest.approx([137.53, 801.53], rel=2e-3)
    assert tensions.utilisation[0] == pytest.approx(1.0, rel=1e-12)


def test_the_least_width_holds_the_tight_side():
    """SLP-7, opened: 4.13 in, for Fa 100, Cp .7, .042 lb/in3, .13 in, 2749 ft/min."""
    v_m_s = 2749 / 60 * M_PER_FT
    fc_lbf_per_in = centrifugal_n(12 * 0.042 * 0.13 * G_PER_M_OF_LB_PER_FT, v_m_s) / LBF
    pull_n = effective_pull_n(power_w=20.6 * HP_W, belt_speed_m_s=v_m_s)

    install_n = required_tension_n(
        pull_n=pull_n, grip=11.17, centrifugal_n=0.0, form="classic"
    )

    tight_net_lbf = (install_n + pull_n / 2) / LBF
    width_in = tight_net_lbf / (100 * 0.7 - fc_lbf_per_in)
    assert width_in == pytest.approx(4.132, rel=1e-3)


def test_a_heavy_v_belt_carries_the_tensions_of_problem_17_19():
    """SLP-8, opened: Fc 25.9, Fi 169.3, dF 225.8, F1 308.1, F2 82.3 lbf."""
    speed_rpm = 2722.7 / (np.pi * 26 / 12)
    v_m_s = belt_speed_m_s(pitch_diameter_mm=26 * MM_PER_INCH, speed_rpm=speed_rpm)
    fc_lbf = 3.498 * (v_m_s / M_PER_FT * 60 / 1000) ** 2
    pull_lbf = 2 * 2935 / 26

    install_n = required_tension_n(
        pull_n=pull_lbf * LBF, grip=5.0, centrifugal_n=fc_lbf * LBF, form="classic"
    )

    total_lbf = install_n / LBF + fc_lbf + pull_lbf * np.array([0.5, -0.5])
    assert fc_lbf == pytest.approx(25.931, rel=1e-3)
    assert install_n / LBF == pytest.approx(169.327, rel=1e-3)
    assert total_lbf == pytest.approx([308.14, 82.34], rel=1e-3)


def test_a_flat_belt_carries_the_tensions_of_example_17_1():
    """SLP-9: wrap, e, V and belt data opened, the other inputs from memory."""
    drive = _two_pulleys(6, 18, 96)
    v_m_s = belt_speed_m_s(pitch_diameter_mm=6 * MM_PER_INCH, speed_rpm=1750)
    fc_lbf = centrifugal_n(12 * 0.042 * 6 * 0.13 * G_PER_M_OF_LB_PER_FT, v_m_s) / LBF
    power_w = 15 * 1.25 * 1.1 * HP_W
    pull_lbf = effective_pull_n(power_w=power_w, belt_speed_m_s=v_m_s) / LBF
    install_lbf = 6 * 100 * 0.7 - pull_lbf / 2 - fc_lbf

    tensions = _classic(
        drive, pull_lbf=pull_lbf, fc_lbf=fc_lbf, install_lbf=install_lbf, friction=0.8
    )

    assert drive.wrap_rad[0] == pytest.approx(3.0165, rel=5e-3)
    assert grip_ratio(0.8, drive.wrap_rad[0]) == pytest.approx(11.170, rel=5e-3)
    assert v_m_s / M_PER_FT * 60 == pytest.approx(2748.9, rel=1e-5)
    assert fc_lbf == pytest.approx(25.65, rel=5e-3)
    assert pull_lbf == pytest.approx(247.6, rel=5e-3)
    assert pull_lbf * 6 / 2 == pytest.approx(742.8, rel=5e-3)
    assert install_lbf == pytest.approx(270.55, rel=5e-3)
    assert tensions.tension_n / LBF == pytest.approx([172.4, 420.0], rel=5e-3)
    assert 0.8 * tensions.utilisation[0] == pytest.approx(0.3277, rel=5e-3)


def test_a_v_belt_drive_has_the_tensions_of_example_17_4():
    """SLP-10, value from memory: three belts of pitch length 113.8 in, 13 hp."""
    centre_in = brentq(
        lambda c: float(_open(7.4, 11, c).length_mm) - 113.8 * MM_PER_INCH, 20, 80
    )
    drive = _two_pulleys(7.4, 11, centre_in)
    v_m_s = belt_speed_m_s(pitch_diameter_mm=7.4 * MM_PER_INCH, speed_rpm=1750)
    fc_lbf = 0.965 * (v_m_s / M_PER_FT * 60 / 1000) ** 2
    pull_n = effective_pull_n(power_w=13 / 3 * HP_W, belt_speed_m_s=v_m_s)
    grip = grip_ratio(CONVENTION_FRICTION, drive.wrap_rad[0])
    install_n = required_tension_n(
        pull_n=pull_n, grip=grip, centrifugal_n=fc_lbf * LBF, form="classic"
    )

    tensions = _classic(
        drive,
        pull_lbf=pull_n / LBF,
        fc_lbf=fc_lbf,
        install_lbf=install_n / LBF,
        friction=CONVENTION_FRICTION,
    )

    assert centre_in == pytest.approx(42.41, rel=3e-3)
    assert drive.wrap_rad[0] == pytest.approx(3.0567, rel=3e-3)
    assert grip == pytest.approx(4.787, rel=3e-3)
    assert v_m_s / M_PER_FT * 60 == pytest.approx(3390.3, rel=1e-4)
    assert fc_lbf == pytest.approx(11.09, rel=3e-3)
    assert pull_n / LBF == pytest.approx(42.18, rel=3e-3)
    assert install_n / LBF == pytest.approx(32.23, rel=3e-3)
    assert tensions.tension_n / LBF == pytest.approx([22.23, 64.41], rel=3e-3)


def test_a_level_belt_dips_as_in_problem_17_1():
    """DEF-10, opened: 0.151 in over 9 ft at 101.07 lbf, 0.126 lbf/ft."""
    dip = sag_mm(
        tension_n=101.07 * LBF,
        span_mm=9 * 12 * MM_PER_INCH,
        mass_g_per_m=0.126 * G_PER_M_OF_LB_PER_FT,
    )

    assert dip / MM_PER_INCH == pytest.approx(0.1515, abs=5e-5)
    assert dip / MM_PER_INCH == pytest.approx(0.151, rel=5e-3)


def test_a_ball_bearing_is_sized_as_in_example_11_1():
    """BRG-1, value from memory: 400 lbf for 5000 h at 1725 rpm."""
    rating_n = rating_needed_n(load_n=400 * LBF, life_mrev=517.5)

    assert life_h(517.5, speed_rpm=1725) == pytest.approx(5000, rel=1e-12)
    assert rating_n / LBF == pytest.approx(3211.4, rel=1e-4)
    assert rating_n / 1e3 == pytest.approx(14.285, rel=1e-4)


def test_a_ball_bearing_is_sized_as_in_problem_11_1():
    """BRG-2, opened: 18.59 kN; 1.2 x 1.898 kN for 30 000 h at 300 rpm."""
    load_n = 1.2 * 1898

    assert life_h(540, speed_rpm=300) == pytest.approx(30_000, rel=1e-12)
    assert rating_needed_n(
        load_n=load_n, life_mrev=540, reliability=0.9
    ) == pytest.approx(18_588, rel=1e-3)
    assert rating_needed_n(load_n=load_n, life_mrev=540) == pytest.approx(
        18_547, rel=1e-4
    )


def test_a_ball_bearing_is_sized_as_in_problem_11_2():
    """BRG-3, opened: 9665 lbf for 854 lbf and 1440 basic lives."""
    rating_n = rating_needed_n(load_n=854 * LBF, life_mrev=1440, reliability=0.9)

    assert rating_n / LBF == pytest.approx(9665.2, rel=1e-4)


def test_a_roller_bearing_is_sized_as_in_problem_11_3():
    """BRG-4, opened: 91.1 kN for 10.275 kN and 1440 basic lives."""
    rating_n = rating_needed_n(load_n=10_275, life_mrev=1440, exponent=ROLLER)

    assert rating_n == pytest.approx(91_060, rel=1e-4)


def test_a_larger_bearing_is_as_reliable_as_in_problem_11_1():
    """BRG-5, opened: 0.919 with C = 19.5 kN."""
    share = reliability(540 * (1.2 * 1.898 / 19.5) ** 3)

    assert share == pytest.approx(0.9187, abs=5e-5)
    assert share == pytest.approx(0.919, abs=1e-3)
