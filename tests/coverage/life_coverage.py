"""Coverage of the life intervals over small simulated fleets; run by hand.

Run from the root: ``python -m tests.coverage.life_coverage [fleets] [belts ...]``, two
minutes unless said. For each size of fleet it prints, of 95 % intervals, how often the
truth lay below and above them: by the delta method, by the profile likelihood, and of
the piecewise curve at miles before, among and after most failures.
"""

import sys

import numpy as np

from fleetbelt.models.hazard_curve import hazard_curve
from fleetbelt.models.life import fit_weibull
from fleetbelt.models.lives import Lives
from tests.models.test_life_recovery import (
    B10_MI,
    BROKEN_SHARE,
    SCALE_MI,
    SHAPE,
    simulate,
)

TRUTH = {"shape": SHAPE, "scale_mi": SCALE_MI, "b10_mi": B10_MI}
AT_MI = (5_000.0, 10_000.0, 30_000.0, 80_000.0)


def misses(lives: Lives) -> dict[str, tuple[bool, bool]]:
    """Whether the truth lay below, and above, each interval of one fleet."""
    fit = fit_weibull(lives, broken_share=BROKEN_SHARE, profile_below=10**9)
    found = {}
    for name, truth in TRUTH.items():
        estimate = getattr(fit, name)
        if estimate is None:
            continue
        lo, hi = estimate.profile_lo or 0.0, estimate.profile_hi or np.inf
        found[f"{name} delta"] = (truth < estimate.lo, truth > estimate.hi)
        found[f"{name} profile"] = (truth < lo, truth > hi)
    curve = hazard_curve(lives, broken_share=BROKEN_SHARE)
    for miles in AT_MI:
        at = curve.miles == miles
        if at.any():
            survival = np.exp(-((miles / SCALE_MI) ** SHAPE))
            lo, hi = float(curve.survival_lo[at][0]), float(curve.survival_hi[at][0])
            found[f"curve at {miles:,.0f} mi"] = (survival < lo, survival > hi)
    return found


def main(n_fleets: int = 1_000, *sizes: int) -> None:
    """Print the coverage for fleets of so many belts."""
    for n in sizes or (60, 150, 400, 1_500):
        fleets = [simulate(n, seed).lives for seed in range(n_fleets)]
        failures = np.mean([lives.failures for lives in fleets])
        rows = [misses(lives) for lives in fleets]
        sys.stdout.write(f"{n} belts, {failures:.0f} failures on average\n")
        for name in dict.fromkeys(key for row in rows for key in row):
            below, above = np.mean([row[name] for row in rows if name in row], axis=0)
            sys.stdout.write(
                f"  {name:20s} covers {1 - below - above:.3f}"
                f"  (truth below {below:.3f}, above {above:.3f})\n"
            )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
