"""Hub load and bearing life; rows HUB of the checks (BRG are with their sources)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbelt.belt import (
    basic_life_mrev,
    hub_load_n,
    hub_loads_n,
    life_h,
    life_multiple,
    rating_needed_n,
    reliability,
    span_tensions,
)
from fleetbelt.errors import InputError

steady = settings(derandomize=True, deadline=None)


def test_a_belt_at_rest_pulls_less_the_less_it_wraps():
    """HUB-1, derived."""
    load_n = hub_load_n(
        before_n=600.0, after_n=600.0, wrap_rad=np.radians([180, 150, 120, 90])
    )

    np.testing.assert_allclose(
        load_n, [1200.0, 1159.111, 1039.230, 848.528], atol=5e-4, rtol=0
    )


def test_a_running_belt_pulls_with_what_is_left_of_its_tensions():
    """HUB-2, derived: all of the tensions, and net of 24.3 N in each."""
    load_n = hub_load_n(
        before_n=700.0,
        after_n=450.0,
        wrap_rad=np.radians(150.0),
        centrifugal_n=[0.0, 24.3],
    )

    np.testing.assert_allclose(load_n, [1112.698, 1065.837], atol=5e-4, rtol=0)


def test_hub_loads_are_the_sums_of_the_pulls_along_the_spans(drive, running, friction):
    """Independent: tensions as vectors along the headings, no wrap angle."""
    tensions = span_tensions(drive, running, install_n=500.0, friction=friction)
    net = tensions.tension_n - tensions.centrifugal_n
    along = net * np.exp(1j * drive.heading_rad)

    load_n = hub_loads_n(drive, tensions)

    np.testing.assert_allclose(load_n, np.abs(along - np.roll(along, 1)), rtol=1e-12)


def test_hub_loads_follow_every_install_tension_given(drive, running, friction):
    both = span_tensions(drive, running, install_n=[500.0, 700.0], friction=friction)
    second = span_tensions(drive, running, install_n=700.0, friction=friction)

    load_n = hub_loads_n(drive, both)

    assert load_n.shape == (2, 4)
    np.testing.assert_array_equal(load_n[1], hub_loads_n(drive, second))


def test_a_slack_span_pulls_on_no_shaft(drive, running, friction):
    slack = span_tensions(drive, running, install_n=150.0, friction=friction)

    load_n = hub_loads_n(drive, slack)

    assert slack.tension_n[0] < slack.centrifugal_n
    assert load_n[0] == pytest.approx(slack.tension_n[-1] - slack.centrifugal_n)


@steady
@given(st.floats(0.0, 2.0e3), st.floats(0.0, 2.0e3), st.floats(0.01, 6.0))
def test_a_hub_load_obeys_the_law_of_cosines(before_n, after_n, wrap_rad):
    load_n = hub_load_n(before_n=before_n, after_n=after_n, wrap_rad=wrap_rad)

    cosines = before_n**2 + after_n**2 - 2 * before_n * after_n * np.cos(wrap_rad)

    assert load_n**2 == pytest.approx(cosines, rel=1e-9, abs=1e-6)


@steady
@given(st.floats(0.05, 0.999))
def test_reliability_and_life_are_inverse(share):
    assert reliability(life_multiple(share)) == pytest.approx(share, rel=1e-10)


def test_every_bearing_reaches_the_least_life():
    np.testing.assert_array_equal(reliability([0.0, 0.01, 0.02]), 1.0)


@steady
@given(st.floats(10.0, 5e3), st.floats(1.0, 1e4), st.sampled_from([3.0, 10 / 3]))
def test_a_bearing_rated_for_a_life_reaches_it(load_n, life_mrev, exponent):
    rating_n = rating_needed_n(load_n=load_n, life_mrev=life_mrev, exponent=exponent)

    assert basic_life_mrev(
        rating_n=rating_n, load_n=load_n, exponent=exponent
    ) == pytest.approx(life_mrev, rel=1e-10)


def test_a_bearing_that_stands_still_has_no_hours():
    with pytest.raises(InputError, match="speed_rpm is 0"):
        life_h(1000.0, speed_rpm=0.0)


def test_tension_below_the_centrifugal_part_is_refused():
    with pytest.raises(InputError, match="after_n less m v"):
        hub_load_n(before_n=50.0, after_n=10.0, wrap_rad=3.0, centrifugal_n=24.3)
