"""How often the drift model's 95 % intervals hold the truth: small invented fleets.

Run by hand: ``python -m tests.coverage.drift_coverage [fleets] [seed] [vehicles]``.
Each fleet has 600 vehicles (or as many as said) and eight models whose drifts and
run-in losses are drawn anew, the last so rare that it leans on the fleet. Prints the
coverage by kind of interval, with the misses on either side.
"""

import sys
from collections import defaultdict
from functools import partial

import numpy as np
import polars as pl

from fleetbelt.models.drift import DriftFit, fit_drift
from fleetbelt.models.drift_doubt import FEW_BELTS
from fleetbelt.models.drift_forecast import Outlook
from fleetbelt.models.drift_tests import effect_tests
from fleetbelt.models.estimates import two_sided_z
from tests.models.drift_fleets import Fleet, Truth, simulate

SHARE = (0.25, 0.2, 0.15, 0.12, 0.1, 0.09, 0.07, 0.02)
Interval = tuple[float, float, float]  # low, truth, high


def drawn_truth(rng: np.random.Generator) -> Truth:
    """A fleet's truth, its models about 20 % apart."""
    size = len(SHARE)
    return Truth(
        drift=tuple(0.006 * np.exp(rng.normal(0, 0.2, size))),
        run_in_loss=tuple(0.12 * np.exp(rng.normal(0, 0.2, size))),
        model_share=SHARE,
        gauge_sd=0.01,
    )


def intervals(fleet: Fleet, fit: DriftFit, truth: Truth) -> dict[str, list[Interval]]:
    """Every interval of one fleet beside what it should hold."""
    found: dict[str, list[Interval]] = defaultdict(list)
    for model in fit.by_model[:-1].iter_rows(named=True):
        i = model["model_no"]
        who = "shrunk" if model["is_shrunk"] else "model"
        drift = (model["drift_lo"], 100 * truth.drift[i], model["drift_hi"])
        loss = -100 * np.expm1(-truth.run_in_loss[i])
        run_in = (model["run_in_loss_lo"], loss, model["run_in_loss_hi"])
        found[f"drift, {who}"].append(drift)
        found[f"run-in loss, {who}"].append(run_in)
    lo, hi = fit.between_belt_sd_lo, fit.between_belt_sd_hi
    if lo is not None and hi is not None:
        found["between-belt sd"].append((lo, truth.slope_sd, hi))
    running = pl.DataFrame(
        {
            "belt_no": np.arange(fleet.slope.size),
            "since_last_mi": fleet.ahead_mi,
            "is_run_in_ahead": fleet.is_run_in_ahead,
        }
    )
    now = Outlook.of(fit, running).tension()
    is_known = np.isfinite(now.sd_log)
    half = two_sided_z(0.95) * now.sd_log
    sides = np.stack([now.mean_log - half, fleet.tension_ahead, now.mean_log + half])
    found["tension now"] += [(a, x, b) for a, x, b in sides[:, is_known].T.tolist()]
    return found


def fitted(readings: pl.DataFrame, rng: np.random.Generator) -> DriftFit:
    """Fit as the whole way does: plainly, then with the effects that are supported."""
    fit = partial(fit_drift, readings, prior_reading_sd=0.02, rng=rng)
    plain = fit(has_limits=False)
    return fit(
        effects=effect_tests(readings, plain.spreads).supported,
        few_belts=FEW_BELTS,
        near=plain.spreads,
    )


def main(n_fleets: int, seed: int, n_vehicles: int) -> None:
    """Simulate, fit, count, print."""
    rng = np.random.default_rng(seed)
    every: dict[str, list[Interval]] = defaultdict(list)
    for _ in range(n_fleets):
        truth = drawn_truth(rng)
        fleet = simulate(n_vehicles, rng, truth)
        fit = fitted(fleet.readings, rng)
        for kind, found in intervals(fleet, fit, truth).items():
            every[kind] += found
    say = sys.stdout.write
    say(f"{n_fleets} fleets of {n_vehicles} vehicles, seed {seed}\n")
    say(f"{'interval':22}{'n':>8}{'holds':>8}{'+-':>7}{'below':>8}{'above':>8}\n")
    for kind, found in sorted(every.items()):
        lo, x, hi = np.array(found).T
        below, above = (x < lo).mean(), (x > hi).mean()
        holds = 1 - below - above
        se = (holds * (1 - holds) / x.size) ** 0.5
        say(f"{kind:22}{x.size:8}{holds:8.4f}{se:7.4f}{below:8.4f}{above:8.4f}\n")


if __name__ == "__main__":
    main(
        *(
            int(word)
            for word in [*sys.argv[1:], *("100", "1", "600")[len(sys.argv) - 1 :]]
        )
    )
