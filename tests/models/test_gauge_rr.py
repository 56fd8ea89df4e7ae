"""The classical gauge study."""

import math

import numpy as np
import pytest

from fleetbelt.errors import FitError
from fleetbelt.models.gauge_rr import (
    crossed_anova,
    gauge_rr,
    gauge_rr_from_ranges,
)


def study(rng, *, cross=0.0):
    return (
        rng.normal(0, 0.3, (8, 3, 4))
        + rng.normal(0, 2, (8, 1, 1))
        + rng.normal(0, 0.7, (3, 1))
        + rng.normal(0, cross, (8, 3, 1))
    )


def test_the_sums_of_squares_are_those_of_a_slow_loop():
    y = study(np.random.default_rng(1), cross=0.5)
    grand = y.mean()

    anova = crossed_anova(y)

    squares = dict.fromkeys(("part", "appraiser", "interaction", "error"), 0.0)
    for (i, j, k), value in np.ndenumerate(y):
        part, appraiser, cell = y[i].mean(), y[:, j].mean(), y[i, j].mean()
        squares["part"] += (part - grand) ** 2
        squares["appraiser"] += (appraiser - grand) ** 2
        squares["interaction"] += (cell - part - appraiser + grand) ** 2
        squares["error"] += (value - cell) ** 2
        assert value == y[i, j, k]
    for name, value in squares.items():
        assert getattr(anova, f"ss_{name}") == pytest.approx(value, rel=1e-9)


def test_a_plain_interaction_is_kept_apart():
    found = gauge_rr(crossed_anova(study(np.random.default_rng(2), cross=1.0)))

    assert found.p_interaction < 0.001
    assert found.interaction == pytest.approx(1.0, rel=0.3)
    assert found.grr == pytest.approx(
        math.sqrt(found.ev**2 + found.av**2 + found.interaction**2)
    )


def test_an_interaction_that_cannot_be_seen_joins_the_repeats():
    anova = crossed_anova(study(np.random.default_rng(5)))
    pooled, kept = gauge_rr(anova), gauge_rr(anova, pooling_p=1.0)

    assert pooled.p_interaction > 0.25
    assert pooled.interaction == 0
    assert pooled.ev**2 == pytest.approx(
        (anova.ss_error + anova.ss_interaction) / (72 + 14)
    )
    assert kept.ev**2 == pytest.approx(anova.ss_error / 72)


def test_parts_alike_give_no_categories_and_no_error_gives_all():
    flat = gauge_rr(crossed_anova(np.tile([1.0, 2.0], (4, 3, 1))))
    perfect = gauge_rr(crossed_anova(np.tile([[[1.0]], [[2.0]], [[5.0]]], (1, 2, 2))))

    assert flat.pv == 0
    assert flat.ndc == 0
    assert perfect.grr < 1e-12
    assert perfect.ndc > 1e12


def test_ranges_and_squares_agree_over_many_studies():
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(100):
        y = study(rng)[:, :, :3]
        by_ranges = gauge_rr_from_ranges(
            mean_range=float(np.ptp(y, axis=2).mean()),
            appraiser_range=float(np.ptp(y.mean(axis=(0, 2)))),
            part_range=float(np.ptp(y.mean(axis=(1, 2)))),
            size=y.shape,
        )
        by_squares = gauge_rr(crossed_anova(y))
        ratios.append([by_ranges.ev / by_squares.ev, by_ranges.pv / by_squares.pv])

    assert np.mean(ratios, axis=0) == pytest.approx([1, 1], abs=0.03)


def test_a_study_too_large_for_the_table_of_ranges_is_refused():
    with pytest.raises(FitError, match="No range factor is known for a size of 11"):
        gauge_rr_from_ranges(
            mean_range=1.0, appraiser_range=1.0, part_range=1.0, size=(11, 3, 3)
        )
