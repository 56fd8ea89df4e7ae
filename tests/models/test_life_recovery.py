"""Known truth comes back from 120,000 simulated belts; naive analyses miss it.

Belts wear by a Weibull life. 35 % of failures break on the road and are dated; the
others are found at the next visit. Records begin at some date: a belt fitted before it
is known only if it was still sound at its first visit after. Some belts are removed
sound, and most are still running at the last odometer.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from fleetbelt.models.hazard_curve import hazard_curve
from fleetbelt.models.life import WeibullFit, fit_weibull
from fleetbelt.models.life_regression import fit_life_regression
from fleetbelt.models.lives import End, Lives

SHAPE, SCALE_MI, BROKEN_SHARE = 2.4, 62_000.0, 0.35
B10_MI = SCALE_MI * (-np.log(0.9)) ** (1 / SHAPE)
MOST_VISITS = 60


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """Simulated lives and, of each belt, the visit at which its failure was found."""

    lives: Lives
    is_late: np.ndarray


def simulate(n: int, seed: int, *, time_ratio: float = 1.0) -> Fleet:
    """Run n belts; belts in cell 1 (a random half) last ``time_ratio`` times longer."""
    rng = np.random.default_rng(seed)
    cell = rng.integers(0, 2, n)
    life = SCALE_MI * rng.weibull(SHAPE, n) * np.where(cell == 1, time_ratio, 1.0)
    is_broken = rng.random(n) < BROKEN_SHARE
    gaps = rng.uniform(4_000, 11_000, (n, MOST_VISITS))
    visits = np.cumsum(gaps, axis=1).round()
    odometer = rng.uniform(2_000, 110_000, n).round()  # of the belt, at the end
    records_from = np.where(rng.random(n) < 0.5, 0.0, rng.uniform(0, 60_000, n))
    visits = np.where(visits <= odometer[:, None], visits, np.inf)

    def first_visit(after: np.ndarray) -> np.ndarray:
        later = np.where(visits > after[:, None], visits, np.inf)
        return np.asarray(later.min(axis=1))

    def last_visit(before: np.ndarray) -> np.ndarray:
        seen = np.where(visits < before[:, None], visits, 0.0)
        return np.asarray(seen.max(axis=1, initial=0.0))

    entry = np.where(records_from > 0, first_visit(records_from - 1), 0.0)
    known = (life > entry) & (entry < odometer)
    life = np.ceil(life)
    removed = np.where(
        rng.random(n) < 0.15, first_visit(rng.uniform(0, 9e4, n)), np.inf
    )
    removed = np.where(removed > entry, removed, np.inf)

    found = np.where(
        is_broken, np.where(life <= odometer, life, np.inf), first_visit(life)
    )
    is_failed = (found < np.inf) & (found <= removed)
    is_removed = ~is_failed & (removed < np.inf)
    seen = last_visit(np.where(is_failed, np.minimum(found, life), np.inf))
    end = np.select(
        [is_failed & is_broken, is_failed, is_removed],
        [End.EXACT, End.INTERVAL, End.CENSORED],
        End.RUNNING,
    )
    lower = np.select([is_failed & is_broken, is_removed], [found, removed], seen)
    upper = np.select([is_failed, is_removed], [found, removed], odometer)
    lives = Lives.of(
        end[known], lower[known], upper[known], entry_mi=entry[known], cell=cell[known]
    )
    return Fleet(lives=lives, is_late=lives.entry_mi > 0)


def naive(lives: Lives, what: str) -> Lives:
    """The same belts as a simpler analysis would see them."""
    end, lower, entry = lives.end, lives.lower_mi, lives.entry_mi
    if what == "exact at finding":
        is_found = end == End.INTERVAL
        lower = np.where(is_found, lives.upper_mi, lower)
        end = np.where(is_found, End.EXACT, end)
    if what == "late entry ignored":
        entry = np.zeros_like(entry)
    if what == "censored dropped":
        keep = (end == End.EXACT) | (end == End.INTERVAL)
        return lives.where(keep)
    return Lives.of(end, lower, lives.upper_mi, entry_mi=entry)


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return simulate(120_000, 1)


def z_scores(fit: WeibullFit) -> dict[str, float]:
    """How many standard errors each estimate lies from the truth, on the log scale."""
    truth = {"shape": SHAPE, "scale_mi": SCALE_MI, "b10_mi": B10_MI}
    scores = {}
    for name, true in truth.items():
        estimate = getattr(fit, name)
        error = np.log(estimate.hi / estimate.lo) / 2 / 1.959964
        scores[name] = float(np.log(estimate.value / true) / error)
    return scores


def test_the_simulation_has_every_kind_of_end_and_late_entries(fleet):
    counts = np.bincount(fleet.lives.end, minlength=4)

    assert fleet.lives.n > 20_000
    assert counts.min() > 1_000
    assert fleet.is_late.sum() > 5_000


def test_shape_scale_and_b10_come_back(fleet):
    scores = z_scores(fit_weibull(fleet.lives))

    assert max(map(abs, scores.values())) < 3.5, scores


def test_grouping_to_250_miles_changes_next_to_nothing(fleet):
    fine, coarse = fit_weibull(fleet.lives), fit_weibull(fleet.lives.grouped(250.0))

    assert coarse.shape is not None
    assert fine.shape is not None
    assert coarse.shape.value == pytest.approx(fine.shape.value, rel=5e-4)
    assert max(map(abs, z_scores(coarse).values())) < 3.5


@pytest.mark.parametrize(
    "what", ["exact at finding", "late entry ignored", "censored dropped"]
)
def test_a_naive_analysis_misses_the_truth(fleet, what):
    scores = z_scores(fit_weibull(naive(fleet.lives, what)))

    assert max(map(abs, scores.values())) > 3.5, scores


@pytest.mark.parametrize("broken_share", [0.0, 1.0])
def test_a_running_belt_needs_the_mixed_term(fleet, broken_share):
    """Last seen sound (p = 0), or sound at the last odometer (p = 1), is not enough."""
    scores = z_scores(fit_weibull(fleet.lives, broken_share=broken_share))

    assert max(map(abs, scores.values())) > 3.5, scores


def test_the_piecewise_curve_covers_the_true_survival(fleet):
    curve = hazard_curve(fleet.lives)

    truth = np.exp(-((curve.miles / SCALE_MI) ** SHAPE))
    is_sure = curve.at_risk > 500
    z = (curve.survival - truth)[is_sure] / curve.standard_error[is_sure]
    assert is_sure.sum() > 12
    assert np.abs(z).max() < 3.5


def test_a_time_ratio_comes_back():
    lives = simulate(30_000, 2, time_ratio=0.62).lives

    fit = fit_life_regression(
        lives, np.array([[1.0, 0.0], [1.0, 1.0]]), ["all", "loose"]
    )

    loose = fit.coefficients[1]
    assert loose.value is not None
    assert loose.standard_error is not None
    assert abs(loose.value - np.log(0.62)) < 3.5 * loose.standard_error
    assert loose.standard_error < 0.01
