"""Weibull regression: references, edges, invariances; spline columns."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="operator, union-attr"

import numpy as np
import pytest
import statsmodels.api as sm
from lifelines import WeibullAFTFitter
from pandas import DataFrame
from scipy.interpolate import CubicSpline

from fleetbelt.errors import InputError
from fleetbelt.models.design import natural_spline
from fleetbelt.models.life import fit_weibull
from fleetbelt.models.life_regression import compare, fit_life_regression
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.weibull_likelihood import Terms, weibull_objective

DESIGN = np.array([[1.0, 0, 0.2], [1, 0, 0.9], [1, 1, 0.2], [1, 1, 0.9]])
NAMES = ["all", "loose", "x"]


def random_lives(seed: int, n: int = 800) -> Lives:
    rng = np.random.default_rng(seed)
    cell = rng.integers(0, 4, n)
    life = 50_000 * rng.weibull(2, n) * np.exp(DESIGN[:, 1:] @ [-0.5, 0.3])[cell]
    end = rng.uniform(5_000, 80_000, n)
    return Lives.right_censored(np.minimum(life, end), life < end, cell=cell)


def test_the_regression_agrees_with_lifelines():
    lives = random_lives(0)

    fit = fit_life_regression(lives, DESIGN, NAMES)
    columns = {"t": lives.lower_mi, "d": lives.end == End.EXACT}
    columns |= {"loose": DESIGN[lives.cell, 1], "x": DESIGN[lives.cell, 2]}
    referee = WeibullAFTFitter().fit(DataFrame(columns), "t", "d")

    scale = referee.summary.loc["lambda_"]
    by_name = {c.name: c for c in fit.coefficients}
    for name, other in [("all", "Intercept"), ("loose", "loose"), ("x", "x")]:
        assert by_name[name].value == pytest.approx(scale.loc[other, "coef"], abs=1e-4)
        error = scale.loc[other, "se(coef)"]
        assert by_name[name].standard_error == pytest.approx(error, rel=1e-3)
    assert fit.log_likelihood == pytest.approx(referee.log_likelihood_, rel=1e-7)


def test_without_covariates_it_is_the_weibull_of_all_belts():
    rng = np.random.default_rng(1)
    lower = rng.uniform(0, 50_000, 200)
    lives = Lives.of(rng.integers(0, 4, 200), lower, lower + rng.uniform(0, 9_000, 200))

    regression = fit_life_regression(lives, np.ones((1, 1)), ["all"])
    fit = fit_weibull(lives)

    assert regression.log_likelihood == pytest.approx(fit.log_likelihood, rel=1e-12)
    assert regression.shape.lo == pytest.approx(fit.shape.lo, rel=1e-9)
    scale = regression.coefficients[0].ratio
    assert scale.value == pytest.approx(fit.scale_mi.value, rel=1e-9)


def test_groups_with_effects_of_their_own_meet_the_weibull_of_each():
    """With one shape the two groups' likelihoods add up to no less than the fit's."""
    lives = random_lives(2)

    fit = fit_life_regression(lives, DESIGN[:, :2], NAMES[:2])
    each = [fit_weibull(lives.where(lives.cell // 2 == g)) for g in (0, 1)]

    apart = each[0].log_likelihood + each[1].log_likelihood
    assert apart - 4 < fit.log_likelihood <= apart


def test_a_time_ratio_holds_between_any_two_rows():
    fit = fit_life_regression(random_lives(3), DESIGN, NAMES)

    ratio, lo, hi = fit.predictor.contrast(DESIGN[2:3], DESIGN[0])

    loose = fit.coefficients[1].ratio
    found = (ratio[0], lo[0], hi[0])
    assert found == pytest.approx((loose.value, loose.lo, loose.hi), rel=1e-12)


def test_a_row_is_as_good_as_itself():
    fit = fit_life_regression(random_lives(3), DESIGN, NAMES)

    assert fit.predictor.contrast(DESIGN[:1], DESIGN[0]) == (1.0, 1.0, 1.0)


def test_an_effect_that_is_there_is_found_and_one_that_is_not_is_not():
    rng = np.random.default_rng(99)
    lives, noise = random_lives(4), rng.integers(0, 2, 800)
    design = np.column_stack([np.repeat(DESIGN, 2, axis=0), np.tile([0.0, 1.0], 4)])
    more = Lives.right_censored(
        lives.lower_mi, lives.end == End.EXACT, cell=2 * lives.cell + noise
    )

    def fit(columns):
        return fit_life_regression(more, design[:, columns], [str(c) for c in columns])

    real, chance = compare(fit([0, 1]), fit([0])), compare(fit([0, 1, 3]), fit([0, 1]))
    assert (real.df, chance.df) == (1, 1)
    assert real.p_value < 1e-6
    assert chance.p_value > 0.01


def test_a_band_without_belts_and_one_without_failures_get_sentences():
    lives = Lives.right_censored(
        [3_000, 5_000, 9_000, 4_000, 8_000, 6_000], [1, 1, 1, 0, 1, 0],
        cell=[0, 0, 0, 1, 2, 1],
    )  # fmt: skip
    design = np.column_stack([np.ones(4), np.eye(4)[:, 1:]])

    fit = fit_life_regression(lives, design, ["in_spec", "under", "over", "tight"])

    under, over, tight = fit.coefficients[1:]
    assert under.value is None
    assert "no bound" in under.reason
    assert over.value is not None
    assert tight.ratio is None
    assert "nothing in this group" in tight.reason
    with pytest.raises(InputError, match="nothing happened"):
        fit.predictor.contrast(design[1:2], design[0])


def test_a_column_that_repeats_another_is_left_out_and_said():
    lives = random_lives(5)
    design = np.column_stack([DESIGN, 1 - DESIGN[:, 1]])

    fit = fit_life_regression(lives, design, [*NAMES, "not loose"])

    assert "cannot be told apart" in fit.coefficients[3].reason
    assert fit.log_likelihood == pytest.approx(
        fit_life_regression(lives, DESIGN, NAMES).log_likelihood, rel=1e-12
    )


@pytest.mark.parametrize(
    ("miles", "died"), [([], []), ([5_000], [0]), ([5_000, 6_000], [1, 1])]
)
def test_too_few_failures_get_a_sentence(miles, died):
    lives = Lives.right_censored(miles, died)

    fit = fit_life_regression(lives, DESIGN, NAMES)

    assert fit.coefficients == ()
    assert "too few" in fit.reason
    assert compare(fit, fit) is None


def test_failures_at_one_mile_have_no_maximum():
    lives = Lives.right_censored([5_000] * 6, [1] * 6, cell=[0, 0, 0, 1, 1, 1])

    fit = fit_life_regression(lives, DESIGN[[0, 2], :2], NAMES[:2])

    assert fit.predictor is None
    assert "no maximum" in fit.reason


def test_kilometres_leave_the_time_ratios():
    lives = random_lives(6)
    in_km = Lives.right_censored(
        1.609344 * lives.lower_mi, lives.end == End.EXACT, cell=lives.cell
    )

    mi, km = (fit_life_regression(x, DESIGN, NAMES) for x in (lives, in_km))

    assert km.coefficients[1].ratio.hi == pytest.approx(
        mi.coefficients[1].ratio.hi, rel=1e-8
    )
    shift = km.coefficients[0].value - mi.coefficients[0].value
    assert shift == pytest.approx(np.log(1.609344), abs=1e-8)


KNOTS = (0.7, 0.9, 1.0, 1.15, 1.4)


def test_the_spline_columns_span_the_natural_interpolating_splines():
    rng = np.random.default_rng(7)
    spline = CubicSpline(KNOTS, rng.normal(size=5), bc_type="natural")
    x = np.linspace(KNOTS[0], KNOTS[-1], 101)

    design = sm.add_constant(natural_spline(x, KNOTS))
    fit = np.linalg.lstsq(design, spline(x), rcond=None)[0]

    assert design @ fit == pytest.approx(spline(x), abs=1e-9)


def test_the_spline_is_straight_beyond_the_outer_knots():
    x = np.array([0.4, 0.5, 0.6, 1.5, 1.6, 1.7])

    columns = natural_spline(x, KNOTS)

    bend = columns[[0, 3]] - 2 * columns[[1, 4]] + columns[[2, 5]]
    assert bend == pytest.approx(np.zeros((2, 4)), abs=1e-12)


@pytest.mark.parametrize("knots", [[1.0], [1.0, 1.0], [2.0, 1.0]])
def test_knots_that_do_not_rise_are_refused(knots):
    with pytest.raises(InputError, match="cannot have the knots"):
        natural_spline([1.0], knots)


def two_shapes(seed: int, n: int = 2_000) -> Lives:
    """Cells 0 and 1 wear with shape 1.2, cells 2 and 3 with 3.5."""
    rng = np.random.default_rng(seed)
    cell = rng.integers(0, 4, n)
    shape = np.where(cell < 2, 1.2, 3.5)
    life = 50_000 * rng.weibull(1, n) ** (1 / shape) * np.where(cell % 2, 0.7, 1.0)
    end = rng.uniform(5_000, 80_000, n)
    return Lives.right_censored(np.minimum(life, end), life < end, cell=cell)


STRATA = np.array([[1.0, 0], [1, 0], [0, 1], [0, 1]])
OWN = np.array([[1.0, 0], [1, 0], [1, 1], [1, 1]])


def test_strata_with_scales_of_their_own_are_separate_weibulls():
    lives = two_shapes(3)

    fit = fit_life_regression(lives, OWN, ["all", "second"], strata=STRATA)
    apart = [
        fit_weibull(lives.where(keep)) for keep in (lives.cell < 2, lives.cell >= 2)
    ]

    assert fit.shape is None
    assert fit.n_shapes == 2
    assert fit.log_likelihood == pytest.approx(
        apart[0].log_likelihood + apart[1].log_likelihood, rel=1e-9
    )
    assert fit.coefficients[0].ratio.value == pytest.approx(
        apart[0].scale_mi.value, rel=1e-6
    )


def test_shapes_that_differ_are_told_from_one_and_like_ones_are_not():
    design = np.hstack([OWN, [[0], [1], [0], [1]]])
    names = ["all", "second", "short"]

    def test(lives: Lives):
        return compare(
            fit_life_regression(lives, design, names, strata=STRATA),
            fit_life_regression(lives, design, names),
        )

    assert test(two_shapes(4)).df == 1
    assert test(two_shapes(4)).p_value < 1e-6
    assert test(random_lives(5)).p_value > 0.01


def test_with_strata_a_time_ratio_covers_its_truth():
    design = np.hstack([OWN, [[0], [1], [0], [1]]])

    fit = fit_life_regression(
        two_shapes(6), design, ["all", "second", "short"], strata=STRATA
    )

    z = (fit.coefficients[2].value - np.log(0.7)) / fit.coefficients[2].standard_error
    assert abs(z) < 3.5


def test_a_stratum_in_which_nothing_failed_leaves_the_others():
    lives = two_shapes(7)
    sound = np.where(lives.cell >= 2, End.CENSORED, lives.end)
    lives = Lives.of(sound, lives.lower_mi, cell=lives.cell)

    fit = fit_life_regression(lives, OWN, ["all", "second"], strata=STRATA)

    assert fit.n_shapes == 1
    assert "Nothing happened" in fit.coefficients[1].reason


def test_derivatives_with_strata_are_those_of_the_value():
    lives = two_shapes(8, n=60)
    mixed = Lives.of(
        np.arange(60) % 4,
        lives.lower_mi,
        lives.lower_mi + 7_000,
        entry_mi=lives.lower_mi * (np.arange(60) % 3 == 0) / 2,
        cell=lives.cell,
    )
    objective = weibull_objective(Terms.of(mixed, 0.4), OWN, strata=STRATA)
    theta = np.array([0.3, 0.9, 10.7, -0.2])

    _, gradient, hessian = objective(theta)

    step = 1e-5 * np.eye(4)
    values = [(objective(theta + h), objective(theta - h)) for h in step]
    assert gradient == pytest.approx(
        [(up[0] - down[0]) / 2e-5 for up, down in values], rel=1e-5
    )
    assert hessian == pytest.approx(
        np.array([(up[1] - down[1]) / 2e-5 for up, down in values]), rel=1e-5
    )
