"""The mixed model of settings against matrices written out, and other programs."""

import numpy as np
import polars as pl
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from fleetbelt.models.technician_cells import Cells
from fleetbelt.models.technician_likelihood import (
    Beforehand,
    Coefficients,
    Equations,
    fit_spreads,
)
from tests.models.technician_fleets import cells_of, dyestuff


def random_cells(rng, *, n=5, n_ratios=4, n_models=3):
    rows = [
        (t, g, m, int(rng.integers(1, 9)), rng.normal(-0.02 * t, 0.05))
        for t in range(n)
        for g in range(n_ratios)
        for m in range(n_models)
        if rng.random() < 0.7
    ]
    frame = pl.DataFrame(
        rows, ["technician_no", "gs_no", "model_no", "n", "mean_d"], orient="row"
    )
    ratios = pl.DataFrame(
        {
            "gs_no": range(n_ratios),
            "gauge_no": [k // 2 for k in range(n_ratios)],
            "rho_gs": rng.normal(-0.05, 0.05, n_ratios),
            "u_corr_gs": rng.uniform(0, 0.02, n_ratios),
        }
    )
    return frame.join(ratios, on="gs_no").with_columns(
        ss_d=pl.Series(rng.chisquare(4, frame.height)) * 0.003 * (pl.col("n") > 1)
    )


def dense(cells, let_through, habit_var, kappa_var):
    """Build the same model with every matrix written out, one row and column a cell."""
    t, g = cells.technician, cells.ratio
    rho = cells.rho[g]
    x = np.column_stack([np.ones(t.size), np.eye(cells.model.max() + 1)[cells.model]])
    centred = x[:, 2:] - cells.n @ x[:, 2:] / cells.n.sum()
    x = np.column_stack([x[:, 0], centred])
    is_same, gauge, u = t[:, None] == t, cells.gauge[g], let_through[t] * cells.u[g]
    covariance = (
        np.diag(cells.variance[t] / cells.n)
        + np.outer(u, u) * (0.5 * (g[:, None] == g) + 0.5 * (gauge[:, None] == gauge))
        + is_same * (habit_var + kappa_var * np.outer(rho, rho))
        + np.outer(rho, rho) / 12
    )
    return x, covariance, cells.d + 0.5 * rho, rho


def test_likelihood_and_predictions_are_those_of_the_matrices_written_out():
    cells = Cells.of(random_cells(np.random.default_rng(3)), default_sd=0.06)
    let_through = np.linspace(0.2, 1.0, cells.n_technicians)
    equations = Equations.of(cells, let_through, Beforehand(weight=0.0))

    def dense_deviance(habit_var, kappa_var):
        x, v, y, _ = dense(cells, let_through, habit_var, kappa_var)
        inverse = np.linalg.inv(v)
        xvx = x.T @ inverse @ x
        p = inverse - inverse @ x @ np.linalg.inv(xvx) @ x.T @ inverse
        return np.linalg.slogdet(v)[1] + np.linalg.slogdet(xvx)[1] + y @ p @ y

    pairs = [np.array(pair) for pair in ((0.001, 0.3), (0.004, 0.05), (0.0, 0.2))]
    found = [equations.deviance(pair)[0] for pair in pairs]
    slow = [dense_deviance(*pair) for pair in pairs]
    assert np.diff(found) == pytest.approx(np.diff(slow), rel=1e-7)

    x, v, y, rho = dense(cells, let_through, *pairs[0])
    inverse = np.linalg.inv(v)
    beta_covariance = np.linalg.inv(x.T @ inverse @ x)
    beta = beta_covariance @ x.T @ inverse @ y
    own = (cells.technician == np.arange(cells.n_technicians)[:, None]).astype(float)
    to_habit, fixed = 0.001 * own @ inverse, np.eye(x.shape[1])[0]
    gap = fixed - to_habit @ x
    variance = 0.001 - ((0.001 * own) * to_habit).sum(axis=1)
    variance += ((gap @ beta_covariance) * gap).sum(axis=1)
    to_kappa = -(0.3 * own + 1 / 12) * rho @ inverse

    coefficients = Coefficients.of(equations, *pairs[0])

    assert coefficients.habit == pytest.approx(beta[0] + to_habit @ (y - x @ beta))
    assert coefficients.habit_se == pytest.approx(np.sqrt(variance))
    assert coefficients.kappa == pytest.approx(0.5 + to_kappa @ (y - x @ beta))


def test_the_gradient_is_that_of_differences():
    cells = Cells.of(random_cells(np.random.default_rng(4)), default_sd=0.06)
    equations = Equations.of(cells, np.ones(cells.n_technicians), Beforehand())
    at = np.array([0.002, 0.2])

    _, slope = equations.deviance(at)
    for k, step in enumerate((1e-6, 1e-4)):
        up, down = (
            equations.deviance(at + s * step * np.eye(2)[k])[0] for s in (1, -1)
        )
        assert slope[k] == pytest.approx((up - down) / (2 * step), rel=1e-5)


def balanced_settings(rng, *, n=14, repeats=6):
    """Two gauges each 10 % off either way; scatter within is made alike for all."""
    t, g, _ = (a.ravel() for a in np.indices((n, 2, repeats)))
    rho = np.where(g == 0, -0.1, 0.1)
    noise = rng.standard_normal((n, 2, repeats))
    noise -= noise.mean(axis=2, keepdims=True)
    noise /= np.sqrt((noise**2).sum(axis=(1, 2), keepdims=True))
    cell = rng.normal(0, 0.04, n)[t] - rng.normal(0.5, 0.4, n)[t] * rho - 0.02
    d = cell + rng.normal(0, 0.01, (n, 2))[t, g] + 0.2 * noise.ravel()
    return t, g, rho, d


def test_on_balanced_data_the_fit_is_that_of_statsmodels():
    """MixedLM, REML, independent intercept and slope; no prior, no calibration error.

    Two cells a technician leave all scatter to the repeats, so that both take s from
    within the cells.
    """
    t, g, rho, d = balanced_settings(np.random.default_rng(5))
    frame = pl.DataFrame(
        {"technician_no": t, "gauge_no": g, "gs_no": g, "d": d, "rho_gs": rho}
    )
    cells = Cells.of(
        cells_of(frame.with_columns(model_no=pl.lit(0), u_corr_gs=pl.lit(0.0))),
        default_sd=0.06,
    )
    design = np.column_stack([np.ones(d.size), -rho])
    free = MixedLMParams.from_components(fe_params=np.ones(2), cov_re=np.eye(2))

    with pytest.warns(
        ConvergenceWarning, match="boundary"
    ):  # the correlation held at 0
        known = MixedLM(d, design, groups=t, exog_re=design).fit(reml=True, free=free)
    no_prior = Beforehand(mean=0.0, mean_sd=1e3, weight=0.0)
    equations = Equations.of(cells, np.ones(cells.n_technicians), no_prior)
    spreads = fit_spreads(equations, start=0.001)
    found = Coefficients.of(equations, spreads.habit_var, spreads.kappa_var)
    blup = np.array([known.random_effects[k] for k in range(cells.n_technicians)])

    rel = 1e-3  # its optimiser's
    assert cells.variance == pytest.approx(known.scale, rel=rel)
    assert spreads.habit_var == pytest.approx(known.cov_re[0, 0], rel=rel)
    assert spreads.kappa_var == pytest.approx(known.cov_re[1, 1], rel=rel)
    assert found.mean_habit == pytest.approx(known.fe_params[0], rel=rel)
    assert found.mean_habit_se == pytest.approx(known.bse_fe[0], rel=rel)
    assert found.mean_kappa == pytest.approx(known.fe_params[1], rel=rel)
    assert found.habit == pytest.approx(known.fe_params[0] + blup[:, 0], abs=1e-5)
    assert found.kappa == pytest.approx(known.fe_params[1] + blup[:, 1], abs=1e-4)


def test_batches_of_dyestuff_differ_as_published():
    """Davies and Goldsmith (1972): batch sd 42.00; predictions as lme4 prints them.

    Values from memory; the closed form 42.0006 = sqrt((11271.5 - 2451.25) / 5). The
    batches' own scatters are made alike, which the balanced analysis does not see.
    """
    means = [1505.0, 1528.0, 1564.0, 1498.0, 1600.0, 1470.0]
    cells = Cells.of(dyestuff(means, 2451.25), default_sd=1.0)
    equations = Equations.of(cells, np.ones(6), Beforehand())

    spreads = fit_spreads(equations, start=float(cells.mean.var()))
    found = Coefficients.of(equations, spreads.habit_var, spreads.kappa_var)

    assert np.sqrt(spreads.habit_var) == pytest.approx(42.0006, abs=1e-3)
    assert found.mean_habit == pytest.approx(1527.5)
    assert found.mean_habit_se == pytest.approx(19.38, abs=0.5e-2)
    assert found.habit - 1527.5 == pytest.approx(
        [-17.607, 0.391, 28.562, -23.085, 56.733, -44.995], abs=0.01
    )
