"""AIAG, *Measurement Systems Analysis*: 10 parts, 3 appraisers, 3 trials.

The manual's readings are not public domain: only its answers stand here, as public
recomputations quote them. The factors of the average-and-range method and its answers
are from memory.
"""

import math

import numpy as np
import pytest

from fleetbelt.models.gauge_rr import (
    CrossedAnova,
    crossed_anova,
    gauge_rr,
    gauge_rr_from_ranges,
)

ANOVA = CrossedAnova(
    ss_part=88.361934,
    ss_appraiser=3.167262,
    ss_interaction=0.358982,
    ss_error=2.758933,
    n_parts=10,
    n_appraisers=3,
    n_trials=3,
)


def test_the_interaction_is_pooled_and_the_deviations_are_the_printed_ones():
    found = gauge_rr(ANOVA)

    assert found.p_interaction == pytest.approx(0.9741, abs=0.5e-4)
    assert found.interaction == 0
    assert found.ev == pytest.approx(0.199933, abs=5e-6)
    assert found.av == pytest.approx(0.226838, abs=5e-6)
    assert found.grr == pytest.approx(0.302373, abs=5e-6)
    assert found.pv == pytest.approx(1.042327, abs=5e-6)
    assert found.tv == pytest.approx(1.0853, abs=0.5e-4)


def test_per_cent_of_the_total_contribution_and_categories_are_the_printed_ones():
    found = gauge_rr(ANOVA)
    parts = np.array([found.ev, found.av, found.grr, found.pv]) / found.tv

    assert 100 * parts == pytest.approx([18.4, 20.9, 27.9, 96.0], abs=0.05)
    assert 100 * parts**2 == pytest.approx([3.4, 4.4, 7.8, 92.2], abs=0.05)
    assert found.ndc == pytest.approx(4.861, abs=0.5e-3)
    assert math.floor(found.ndc) == 4


def test_without_pooling_the_equipment_variation_is_larger():
    assert gauge_rr(ANOVA, pooling_p=1.0).ev == pytest.approx(0.214435, abs=0.5e-6)


def test_averages_and_ranges_give_the_answers_done_by_hand():
    found = gauge_rr_from_ranges(
        mean_range=0.34167,
        appraiser_range=0.44467,
        part_range=3.51111,
        size=(10, 3, 3),
    )

    assert found.ev == pytest.approx(0.20186, abs=3e-4)
    assert found.av == pytest.approx(0.22967, abs=3e-4)
    assert found.grr == pytest.approx(0.30577, abs=3e-4)
    assert found.pv == pytest.approx(1.10460, abs=3e-4)
    assert found.tv == pytest.approx(1.14613, abs=3e-4)
    assert math.floor(found.ndc) == 5


def test_a_free_made_up_study_has_exact_answers():
    """Derived, not printed: parts -6, 0, 6; people -1, 1; trials -.5, .5; all + 100."""
    part, person, trial = np.ix_([-6.0, 0, 6], [-1.0, 1], [-0.5, 0.5])

    anova = crossed_anova(100 + part + person + trial)
    found = gauge_rr(anova)

    squares = (anova.ss_part, anova.ss_appraiser, anova.ss_interaction, anova.ss_error)
    assert squares == pytest.approx((288, 12, 0, 3), abs=1e-9)
    assert found.ev**2 == pytest.approx(0.375)
    assert found.av**2 == pytest.approx(1.9375)
    assert found.grr**2 == pytest.approx(2.3125)
    assert found.pv**2 == pytest.approx(35.90625)
    assert found.tv**2 == pytest.approx(38.21875)
    assert 100 * found.grr / found.tv == pytest.approx(24.598, abs=0.5e-3)
    assert found.ndc == pytest.approx(5.556, abs=0.5e-3)
