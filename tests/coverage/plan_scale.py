"""How long the weekly plan takes for many belts, and how near its optimum it comes.

Run by hand: ``python -m tests.coverage.plan_scale [belts] [depots …]``. For each number
of depots and for capacities of 0.7, 1 and 1.3 times the work that falls due it prints
seconds, the widest gap of a depot and that of all, and visits without room.
"""

import sys
import time
from datetime import date

import numpy as np
import polars as pl

from fleetbelt.models.plan import BELTS, Rules, plan_work
from fleetbelt.models.plan_jobs import Costs

AS_OF = date(2031, 5, 1)
RULES = Rules(
    costs=Costs(
        planned_replacement=150,
        road_failure=900,
        retension=40,
        complaint_visit=80,
        road_share=0.4,
        under_per_mi=0.005,
    )
)


def invented(n_belts: int, n_depots: int) -> pl.DataFrame:
    """Running belts of eight models, ten on seven vehicles, some overdue."""
    rng = np.random.default_rng(0)
    vehicle, model = np.arange(n_belts) * 7 // 10, rng.integers(0, 8, n_belts)
    daily = np.clip(60 * np.exp(0.3 * rng.standard_normal(n_belts)), 20, 120)
    due = np.maximum(rng.exponential(25_000, n_belts) - 6_000, 0)
    overdue = rng.uniform(0.1, 0.95, n_belts)
    now = np.where(due > 0, 0.1 * np.exp(-due / 8_000), overdue)
    return pl.DataFrame(
        {
            "depot_no": vehicle * 2_654_435_761 % n_depots,
            "vehicle_no": vehicle,
            "belt_no": np.arange(n_belts),
            "daily_mi": daily,
            "daily_sd_mi": 0.1 * daily,
            "due_in_mi": due,
            "p_under_now": now,
            "p_under_later": np.minimum(now + 0.3 * rng.random(n_belts), 1),
            "since_set_mi": rng.uniform(0, 20_000, n_belts),
            "age_mi": rng.uniform(0, 60_000, n_belts),
            "shape": np.linspace(1.6, 3, 8)[model],
            "scale_mi": np.linspace(60_000, 110_000, 8)[model],
        },
        BELTS,
    )


def main(n_belts: int = 100_000, *numbers: int) -> None:
    """Print one line per number of depots and capacity."""
    for n_depots in numbers or (1, 25, 100):
        belts = invented(n_belts, n_depots)
        free = plan_work(belts, np.full(n_depots, 1e9), as_of=AS_OF, rules=RULES)
        weekly = free.depots["minutes"].to_numpy().sum() / RULES.n_weeks / n_depots
        for load in (0.7, 1.0, 1.3):
            wall, cpu = time.perf_counter(), time.process_time()
            capacity = np.full(n_depots, load * weekly)
            depots = plan_work(belts, capacity, as_of=AS_OF, rules=RULES).depots
            wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
            cost, bound, gap = depots.select("cost", "bound", "gap").to_numpy().T
            print(  # noqa: T201
                f"{n_belts:,} belts, {free.jobs.height:,} jobs, {n_depots} depots, "
                f"capacity {load}: {wall:.1f} s ({cpu:.1f} s CPU), "
                f"gap {1 - bound.sum() / cost.sum():.5%}, widest {gap.max():.5%}, "
                f"overflow {depots['overflow'].sum():,} visits"
            )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
