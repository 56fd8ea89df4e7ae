"""Grip of the running drive; rows SLP of the checks (textbook rows: published)."""

from math import inf, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from fleetbelt.belt import (
    Running,
    belt_speed_m_s,
    centrifugal_n,
    effective_pull_n,
    grip_ratio,
    pulley_friction,
    required_install,
    required_tension_n,
    route_belt,
    span_tensions,
    wedge_friction,
)
from fleetbelt.errors import InputError
from fleetbelt.units import NEWTONS_PER

WRAP_RAD = np.radians(150.0)
WEDGE = wedge_friction(0.35, groove_deg=40.0)
GRIP = grip_ratio(WEDGE, WRAP_RAD)

steady = settings(derandomize=True, deadline=None, max_examples=50)


def test_a_groove_triples_the_friction():
    """SLP-1, derived."""
    assert pytest.approx(1.0233315, abs=5e-8) == WEDGE
    assert pytest.approx(14.571619, abs=5e-7) == GRIP
    assert grip_ratio(0.35, WRAP_RAD) == pytest.approx(2.500018, abs=5e-7)


def test_a_flat_groove_adds_nothing():
    assert wedge_friction(0.35, groove_deg=180.0) == pytest.approx(0.35, rel=1e-15)


@pytest.mark.parametrize(
    ("speed_m_s", "pull_n", "fc_n", "install_n"),
    [(20.0, 150.0, 43.2, 129.2525), (10.0, 300.0, 10.8, 182.9050)],
)
def test_one_accessory_needs_half_its_pull_and_the_centrifugal_part(
    speed_m_s, pull_n, fc_n, install_n
):
    """SLP-3 and SLP-4, derived."""
    pull = effective_pull_n(power_w=3000.0, belt_speed_m_s=speed_m_s)
    fc = centrifugal_n(108.0, speed_m_s)

    required = required_tension_n(pull_n=pull, grip=GRIP, centrifugal_n=fc)

    assert pull == pytest.approx(pull_n, rel=1e-12)
    assert fc == pytest.approx(fc_n, rel=1e-12)
    assert required == pytest.approx(install_n, abs=5e-5)


def test_the_classic_form_leaves_the_centrifugal_part_out():
    """SLP-3, derived."""
    required = required_tension_n(
        pull_n=150.0, grip=GRIP, centrifugal_n=43.2, form="classic"
    )

    assert required == pytest.approx(86.0525, abs=5e-5)


def test_a_small_wrap_on_the_back_slips_first(drive, running, friction):
    """SLP-11, derived."""
    tensions = span_tensions(drive, running, install_n=500.0, friction=friction)

    assert tensions.centrifugal_n == pytest.approx(24.3)
    np.testing.assert_allclose(
        tensions.tension_n, [246.303, 326.303, 546.303, 696.303], atol=5e-4, rtol=0
    )
    np.testing.assert_allclose(
        tensions.utilisation, [0.4516, 1.8597, 0.2147, 0.1268], atol=5e-5, rtol=0
    )
    assert np.average(tensions.tension_n, weights=drive.span_mm) == pytest.approx(500)


def test_the_pulley_that_slips_first_governs_the_install_tension(
    drive, running, friction
):
    """SLP-12, derived."""
    required = required_install(drive, running, friction=friction)

    np.testing.assert_allclose(
        required.pulley_n[:3], [320.366, 722.531, 216.655], atol=5e-4, rtol=0
    )
    assert required.slack_n == pytest.approx(277.997, abs=5e-4)
    assert required.governing_n == pytest.approx(722.531, abs=5e-4)
    assert required.governing_n / NEWTONS_PER["lbf"] == pytest.approx(162.431, abs=5e-4)


def test_the_governing_pulley_uses_all_its_grip_at_the_required_tension(
    drive, running, friction
):
    """SLP-12, derived."""
    governing_n = required_install(drive, running, friction=friction).governing_n

    at_it = span_tensions(drive, running, install_n=governing_n, friction=friction)

    assert at_it.utilisation[1] == pytest.approx(1.0, rel=1e-12)
    assert at_it.utilisation.max() == at_it.utilisation[1]


def test_the_classic_form_grips_as_fixed_centres_do_without_speed(
    drive, running, friction
):
    at_rest = Running(pull_n=running.pull_n, belt_speed_m_s=0.0, mass_g_per_m=108.0)

    classic = span_tensions(
        drive, running, install_n=500.0, friction=friction, form="classic"
    )
    unloaded = span_tensions(drive, at_rest, install_n=500.0, friction=friction)
    required = required_install(drive, running, friction=friction, form="classic")

    np.testing.assert_allclose(classic.utilisation, unloaded.utilisation, rtol=1e-12)
    np.testing.assert_allclose(classic.tension_n, unloaded.tension_n + 24.3)
    assert required.governing_n == pytest.approx(722.531 - 24.3, abs=5e-4)


def _tensions_by_search(drive, running, install_n):
    """Walk the belt once for a slack tension; search the one whose mean is right."""

    def walk(slack_n):
        order = [(running.driver + k) % 4 for k in range(4)]
        tension, spans = slack_n, {}
        for k in order:
            tension += 0.0 if k == running.driver else running.pull_n[k]
            spans[k] = tension
        return [spans[k] for k in range(4)]

    def miss(slack_n):
        stretch = sum(
            t * span for t, span in zip(walk(slack_n), drive.span_mm, strict=True)
        )
        return stretch - install_n * sum(drive.span_mm)

    return walk(brentq(miss, -1e5, 1e5, xtol=1e-10))


@steady
@given(
    pull_n=st.lists(st.floats(-200.0, 400.0), min_size=4, max_size=4),
    install_n=st.floats(200.0, 2000.0),
    driver=st.integers(0, 3),
)
def test_tensions_agree_with_a_search_that_walks_the_belt(
    drive, friction, pull_n, install_n, driver
):
    running = Running(
        pull_n=np.array(pull_n), belt_speed_m_s=15.0, mass_g_per_m=108.0, driver=driver
    )

    tensions = span_tensions(drive, running, install_n=install_n, friction=friction)

    walked = np.array(_tensions_by_search(drive, running, install_n))
    np.testing.assert_allclose(tensions.tension_n, walked, atol=1e-6)
    for k in range(4):
        low, high = sorted((walked[k - 1] - 24.3, walked[k] - 24.3))
        is_taut = low > 1e-3
        used = log(high / low) / (friction[k] * drive.wrap_rad[k]) if is_taut else inf
        assert tensions.utilisation[k] == pytest.approx(used, rel=1e-6, abs=1e-6)


@steady
@given(
    pull_n=st.lists(st.floats(1.0, 400.0), min_size=4, max_size=4),
    speed_m_s=st.floats(0.0, 30.0),
)
def test_at_the_required_tension_nothing_slips_and_below_it_something_does(
    drive, friction, pull_n, speed_m_s
):
    running = Running(
        pull_n=np.array(pull_n), belt_speed_m_s=speed_m_s, mass_g_per_m=108.0
    )
    needed_n = required_install(drive, running, friction=friction).governing_n

    at, below = span_tensions(
        drive,
        running,
        install_n=[1.000001 * needed_n, 0.999 * needed_n],
        friction=friction,
    ).utilisation

    assert at.max() <= 1.0
    assert below.max() > 1.0


@steady
@given(st.floats(1.0, 2000.0), st.floats(1.01, 50.0), st.floats(0.0, 100.0))
def test_one_accessory_is_at_its_limit_at_the_required_tension(pull_n, grip, fc_n):
    install_n = required_tension_n(pull_n=pull_n, grip=grip, centrifugal_n=fc_n)

    tight, slack = install_n + pull_n / 2 - fc_n, install_n - pull_n / 2 - fc_n

    assert tight / slack == pytest.approx(grip, rel=1e-6)


def test_the_drive_may_be_listed_from_any_pulley(drive, running, friction):
    turned = route_belt(drive.pulleys[2:] + drive.pulleys[:2])
    same = Running(
        pull_n=np.roll(running.pull_n, -2),
        belt_speed_m_s=15.0,
        mass_g_per_m=108.0,
        driver=2,
    )

    tensions = span_tensions(
        turned, same, install_n=500.0, friction=np.roll(friction, -2)
    )

    np.testing.assert_allclose(
        np.roll(tensions.tension_n, 2), [246.303, 326.303, 546.303, 696.303], atol=5e-4
    )


def test_newtons_and_pounds_use_the_same_grip(drive, running, friction):
    lbf = NEWTONS_PER["lbf"]
    in_pounds = Running(
        pull_n=running.pull_n / lbf, belt_speed_m_s=15.0, mass_g_per_m=108.0 / lbf
    )

    newtons = span_tensions(drive, running, install_n=500.0, friction=friction)
    pounds = span_tensions(drive, in_pounds, install_n=500 / lbf, friction=friction)

    np.testing.assert_allclose(pounds.tension_n * lbf, newtons.tension_n, rtol=1e-12)
    np.testing.assert_allclose(pounds.utilisation, newtons.utilisation, rtol=1e-12)


def test_an_idler_uses_no_grip(drive, running, friction):
    pull_n = running.pull_n.copy()
    pull_n[1] = 0.0
    idle = Running(pull_n=pull_n, belt_speed_m_s=15.0, mass_g_per_m=108.0)

    tensions = span_tensions(drive, idle, install_n=500.0, friction=friction)

    assert tensions.utilisation[1] == pytest.approx(0.0, abs=1e-12)


def test_a_belt_gone_slack_uses_more_than_any_grip(drive, running, friction):
    tensions = span_tensions(drive, running, install_n=270.0, friction=friction)

    np.testing.assert_array_equal(
        np.isinf(tensions.utilisation), [True, True, False, False]
    )


def test_back_side_pulleys_have_no_groove(drive):
    friction = pulley_friction(drive, ribbed=0.35, back=0.30)

    assert friction == pytest.approx([WEDGE, 0.30, WEDGE, WEDGE], rel=1e-15)


def test_the_belt_runs_at_the_speed_of_the_pitch_line():
    assert belt_speed_m_s(
        pitch_diameter_mm=154.0, speed_rpm=60e3 / np.pi
    ) == pytest.approx(154.0)


def test_a_pull_for_every_pulley_is_asked_for(drive, friction):
    short = Running(pull_n=np.zeros(3), belt_speed_m_s=15.0, mass_g_per_m=108.0)

    with pytest.raises(InputError, match="3 pulls are given for 4 pulleys"):
        span_tensions(drive, short, install_n=500.0, friction=friction)


def test_a_pulley_without_grip_is_refused():
    with pytest.raises(InputError, match="grip - 1 is 0"):
        required_tension_n(pull_n=100.0, grip=1.0, centrifugal_n=0.0)


def test_standing_still_carries_no_power():
    with pytest.raises(InputError, match="belt_speed_m_s is 0"):
        effective_pull_n(power_w=3000.0, belt_speed_m_s=0.0)
