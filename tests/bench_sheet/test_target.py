"""From a range to what the gauge shows, and back."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fleetbelt.bench.target import (
    Repeatability,
    aim,
    behind,
    force_scale,
    frequency_scale,
    judge,
)
from fleetbelt.errors import InputError
from fleetbelt.settings import Measurement
from fleetbelt.units import NEWTONS_PER

RULES = Measurement()
SURE = Repeatability(sd=0.01)


def force(unit="lbf", correction=1.0, u_corr=0.0, reading_sd=0.02):
    return force_scale(
        unit,
        correction=correction,
        correction_source="calibrated",
        u_corr=u_corr,
        reading_sd=reading_sd,
    )


scales = st.one_of(
    st.builds(
        force,
        unit=st.sampled_from(["lbf", "N", "kgf"]),
        correction=st.floats(0.7, 1.4),
        u_corr=st.floats(0, 0.1),
        reading_sd=st.floats(0.001, 0.1),
    ),
    st.builds(
        lambda span, mass: frequency_scale(
            span_mm=span, mass_g_per_m=mass, rules=RULES
        ),
        st.floats(80, 600),
        st.floats(20, 300),
    ),
)


@settings(deadline=None)
@given(scale=scales, low=st.floats(50, 900), width=st.floats(1.01, 2))
def test_the_reading_that_shows_the_target_means_the_middle_of_the_range(
    scale, low, width
):
    target = aim(scale, min_n=low, max_n=low * width)

    found = behind(scale, [target.target], SURE)
    judged = judge(found, target, RULES)

    assert found.tension_n == pytest.approx(target.middle_n, rel=1e-12)
    assert judged.turn == 0
    assert judged.p_in == pytest.approx(target.p_in, abs=1e-12)
    assert scale.tension_n(target.low) == pytest.approx(low, rel=1e-12)
    assert scale.tension_n(target.high) == pytest.approx(low * width, rel=1e-12)


def test_a_true_115_lbf_shows_as_104_12_on_a_gauge_that_reads_9_46_per_cent_low():
    """185 lbf read as 167.5 (common practice, no source): 115 / 1.1044776."""
    scale = force(correction=185 / 167.5)

    target = aim(scale, min_n=95 * NEWTONS_PER["lbf"], max_n=135 * NEWTONS_PER["lbf"])

    assert target.target == pytest.approx(115 * 167.5 / 185, rel=1e-12)
    assert (target.low, target.high) == pytest.approx(
        (95 * 167.5 / 185, 135 * 167.5 / 185)
    )


def test_a_frequency_gauge_shows_186_339_hz_at_600_n():
    """T = 600 N, m = 108 g/m, L = 200 mm: 186.3390 Hz; 180 Hz is 559.872 N."""
    scale = frequency_scale(span_mm=200, mass_g_per_m=108, rules=RULES)

    assert scale.shown(600) == pytest.approx(186.3390, abs=0.5e-4)
    assert scale.tension_n(180) == pytest.approx(559.872, abs=1e-6)


def test_a_frequency_reading_has_the_uncertainty_of_the_guide():
    """1 % in frequency and span, 3 % in mass: sqrt(4 + 4 + 9) = 4.1231 %."""
    scale = frequency_scale(span_mm=200, mass_g_per_m=108, rules=RULES)

    assert scale.u() == pytest.approx(0.041231, abs=0.5e-6)


def test_p_in_is_the_share_of_belts_in_range_when_many_are_set_to_the_target():
    rng = np.random.default_rng(11)
    scale = force("N", correction=1.08, u_corr=0.03, reading_sd=0.025)
    target = aim(scale, min_n=400, max_n=470)

    correction = 1.08 * np.exp(rng.normal(0, 0.03, 200_000))
    for n, p in ((1, target.p_in), (3, target.p_in_of_three)):
        slip = np.exp(rng.normal(0, 0.025 / math.sqrt(n), 200_000))
        true = target.target * correction * slip
        share = ((target.min_n <= true) & (true <= target.max_n)).mean()

        assert share == pytest.approx(p, abs=4 * math.sqrt(0.25 / 200_000))


@pytest.mark.parametrize("df", [math.inf, 12])
def test_the_spread_of_readings_is_held_to_the_repeatability(df):
    shown = [100.0, 102.0, 99.0, 103.0]
    spread = np.std(shown, ddof=1) / np.mean(shown)

    found = behind(force(), shown, Repeatability(sd=0.01, df=df))

    ratio = (spread / 0.01) ** 2
    reference = stats.f(3, df).sf(ratio) if df < 99 else stats.chi2(3).sf(3 * ratio)
    assert found.spread == pytest.approx(spread)
    assert found.p_spread == pytest.approx(reference)


def test_readings_that_agree_are_as_sure_as_the_field_says():
    found = behind(force(u_corr=0.01), [118, 121, 119], SURE)

    assert found.mean == pytest.approx(358 / 3)
    assert found.p_spread > 0.05
    assert found.u_log == pytest.approx(math.hypot(0.02 / math.sqrt(3), 0.01))


def test_readings_that_scatter_more_than_chance_count_with_their_own_scatter():
    found = behind(force(), [90, 110, 130], SURE)

    assert found.p_spread < 0.05
    assert found.u_log == pytest.approx(found.spread / math.sqrt(3))


def test_a_coarse_scale_lets_expect_no_better_than_its_step():
    found = behind(force(), [30.0, 32.5], Repeatability(sd=0.001, step=2.5))

    assert found.expected == pytest.approx(1.25 / math.sqrt(3) / 31.25)


def test_one_reading_has_no_spread():
    found = behind(force(), [118], SURE)

    assert math.isnan(found.spread)
    assert math.isnan(found.p_spread)


def test_without_a_range_there_is_a_tension_and_no_verdict():
    judged = judge(behind(force("N"), [500], SURE), None, RULES)

    assert judged.verdict == "no_spec"
    assert math.isnan(judged.p_in)
    assert math.isnan(judged.turn)


@pytest.mark.parametrize("shown", [[], [0], [-3], [math.nan], [math.inf]])
def test_a_reading_that_is_no_reading_is_refused(shown):
    with pytest.raises(InputError, match="above zero"):
        behind(force(), shown, SURE)
