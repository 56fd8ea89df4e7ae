"""How sure a verdict on a reading is, alone and beside its like."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from fleetbelt.errors import FitError
from fleetbelt.models.conformity import conformity, conformity_with_prior, verdict

LOW, HIGH = np.log(423.0), np.log(600.0)


def readings(rng, n, u_scale=1.0):
    """True and read log tensions of three groups, none of them normal.

    A narrow new-belt range with some far off, settings that almost all fit, and belts
    found after they have lost tension.
    """
    mid = (LOW + HIGH) / 2
    habit = rng.normal(-0.01, 0.03, (2, 40))[:, rng.integers(0, 40, n)]
    x = np.concatenate(
        [
            mid + habit[0] + rng.normal(0, 0.02, n) - 0.09 * (rng.random(n) < 0.2),
            mid + habit[1] + rng.normal(0, 0.02, n) - 0.16 * (rng.random(n) < 0.1),
            mid + rng.normal(0, 0.05, n) - 0.0062 * rng.exponential(8, n),
        ]
    )
    group = np.repeat([4, 7, 9], n)
    low = np.where(group == 4, mid - 0.03, LOW)
    high = np.where(group == 4, mid + 0.03, HIGH)
    u = np.hypot(0.02, np.where(rng.random(3 * n) < 0.8, 0.008, 0.06))
    return x, x + rng.normal(0, u), u * u_scale, low, high, group


def worst_decile(p, is_true):
    """Largest gap between the chance said and the share seen, beyond 3 standard errors.

    A decile of the chances said with fewer than 20 readings is passed over.
    """
    gaps = [-math.inf]
    for decile in range(10):
        rows = np.minimum((p * 10).astype(int), 9) == decile
        if rows.sum() >= 20:
            said, seen = p[rows].mean(), is_true[rows].mean()
            gaps.append(abs(said - seen) - 3 * np.sqrt(said * (1 - said) / rows.sum()))
    return max(gaps)


def test_the_chances_are_areas_of_the_error_curve():
    def density(x):
        return math.exp(-0.5 * ((x - 6.1) / 0.05) ** 2) / (
            0.05 * math.sqrt(2 * math.pi)
        )

    found = conformity(6.1, 0.05, 6.05, 6.2)

    assert found.p_under == pytest.approx(quad(density, 5.5, 6.05)[0], abs=1e-9)
    assert found.p_in == pytest.approx(quad(density, 6.05, 6.2)[0], abs=1e-9)
    assert found.p_over == pytest.approx(quad(density, 6.2, 6.7)[0], abs=1e-9)


def test_the_chances_sum_to_one():
    _, y, u, low, high, group = readings(np.random.default_rng(1), 500)

    for found in (
        conformity(y, u, low, high),
        conformity_with_prior(y, u, low, high, group=group),
    ):
        total = found.p_under + found.p_in + found.p_over
        assert total == pytest.approx(np.ones_like(y), abs=1e-12)
        assert min(found.p_in.min(), found.p_under.min(), found.p_over.min()) >= 0


def test_a_reading_without_a_range_has_no_chances():
    nan = math.nan
    y, u = np.array([6.1, 6.1, nan]), np.full(3, 0.05)
    low, high = np.array([nan, 6.0, 6.0]), np.array([nan, nan, 6.2])

    for found in (
        conformity(y, u, low, high),
        conformity_with_prior(y, u, low, high, group=[0, 0, 0]),
    ):
        assert np.isnan([found.p_under, found.p_in, found.p_over]).all()


def test_a_reading_without_an_uncertainty_is_refused():
    with pytest.raises(FitError, match="1 readings have no uncertainty above 0"):
        conformity([6.1, 6.2], [0.0, 0.1], 6.0, 6.2)


@pytest.mark.parametrize(
    ("p_under", "p_over", "firm_allowed", "word"),
    [
        (0.80, 0.00, True, "under"),
        (0.7999, 0.0, True, "doubtful_low"),
        (0.20, 0.10, True, "doubtful_low"),
        (0.1999, 0.1999, True, "in"),
        (0.10, 0.20, True, "doubtful_high"),
        (0.00, 0.80, True, "over"),
        (0.99, 0.00, False, "doubtful_low"),
        (0.00, 0.99, False, "doubtful_high"),
        (0.05, 0.05, False, "in"),
        (0.30, 0.30, True, "doubtful_low"),
        (math.nan, math.nan, True, "no_spec"),
        (math.nan, math.nan, False, "no_spec"),
    ],
)
def test_the_verdict_follows_the_likelier_side(p_under, p_over, firm_allowed, word):
    found = verdict(
        np.array([p_under]),
        np.array([p_over]),
        is_firm_allowed=np.array([firm_allowed]),
    )

    assert found.tolist() == [word]


def test_the_thresholds_of_the_verdict_are_settings():
    found = verdict(
        np.array([0.85, 0.85, 0.3]),
        np.array([0.0, 0.0, 0.0]),
        is_firm_allowed=np.array([True, True, True]),
        firm=0.9,
        doubtful=0.4,
    )

    assert found.tolist() == ["doubtful_low", "doubtful_low", "in"]


def test_with_a_prior_the_chances_said_are_the_shares_seen():
    """Alone, a reading near a limit is said to be worse than it is, by over 0.08."""
    x, y, u, low, high, group = readings(np.random.default_rng(2), 8000)

    alone = conformity(y, u, low, high)
    beside = conformity_with_prior(y, u, low, high, group=group)

    assert worst_decile(beside.p_under, x < low) < 0.03
    assert worst_decile(beside.p_over, x > high) < 0.03
    assert worst_decile(alone.p_under, x < low) > 0.08


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_wrong_uncertainty_shows_in_the_chances_said(factor):
    x, y, u, low, high, group = readings(np.random.default_rng(3), 8000, factor)

    beside = conformity_with_prior(y, u, low, high, group=group)

    assert worst_decile(beside.p_under, x < low) > 0.08


def test_the_prior_of_a_normal_group_gives_the_textbook_posterior():
    """Normal truth, one u: the posterior mean is shrunk by v / (v + u**2)."""
    rng = np.random.default_rng(4)
    mean, v, u = 6.2, 0.05**2, 0.03
    y = mean + rng.normal(0, np.hypot(0.05, u), 5000)
    shrink = v / (v + u**2)
    centre, sd = mean + shrink * (y - mean), np.sqrt(shrink) * u

    found = conformity_with_prior(y, u, 6.15, 6.3, group=np.zeros(5000))
    exact = conformity(centre, sd, 6.15, 6.3)

    assert found.p_under == pytest.approx(exact.p_under, abs=0.06)
    assert np.abs(found.p_under - exact.p_under).mean() < 0.02


def test_a_small_group_is_judged_by_its_readings_alone():
    _, y, u, low, high, _ = readings(np.random.default_rng(5), 20)
    group = np.repeat([0, 1, 2], 20)

    beside = conformity_with_prior(y, u, low, high, group=group)

    assert beside.p_under.tolist() == conformity(y, u, low, high).p_under.tolist()


def test_a_group_is_not_moved_by_another_nor_by_the_order_of_rows():
    rng = np.random.default_rng(6)
    _, y, u, low, high, group = readings(rng, 300)
    order = rng.permutation(len(y))
    others = np.where(group == 7, 0.1, 0.0)

    whole = conformity_with_prior(y, u, low, high, group=group)
    shuffled = conformity_with_prior(
        y[order], u[order], low[order], high[order], group=group[order]
    )
    moved = conformity_with_prior(y + others, u, low, high, group=group)

    assert shuffled.p_under == pytest.approx(whole.p_under[order], abs=1e-9)
    assert moved.p_under[group != 7].tolist() == whole.p_under[group != 7].tolist()


def test_a_reading_far_from_its_group_keeps_its_verdict():
    """A unit slip, a factor 4.45 too low, must not be drawn into the range."""
    rng = np.random.default_rng(7)
    y = np.append(rng.normal((LOW + HIGH) / 2, 0.04, 999), np.log(500 / 4.45))

    found = conformity_with_prior(y, 0.03, LOW, HIGH, group=np.zeros(1000))

    assert found.p_under[-1] == pytest.approx(1.0, abs=1e-6)


def test_identical_readings_make_no_prior_that_divides_by_zero():
    found = conformity_with_prior(np.full(50, 6.1), 0.02, 6.0, 6.2, group=np.zeros(50))

    assert found.p_in == pytest.approx(np.ones(50), abs=1e-6)
