"""The belt now running in each place: how it was fitted, how long it will last."""

from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from fleetbelt.simulation.arrays import (
    DRIFT,
    HIGH,
    LOW,
    NEW,
    RUN_IN,
    SCALE_MI,
    SHAPE,
    TARGET,
    USED,
)
from fleetbelt.simulation.noise import draw_frailties
from fleetbelt.simulation.scenario import (
    BREAKS_ON_ROAD,
    LIFE_DOSE_EXCESS,
    LIFE_DOSE_SLACK,
)
from fleetbelt.simulation.tables import BoolArray, FloatArray, IntArray
from fleetbelt.simulation.world import World

RUNNING, AWAITS_RECHECK, AWAITS_BELT, AWAITS_REFIT = range(4)
BASES: Final = ("none", "install", "recheck")
END_STATES: Final = ("running", "failed", "removed")
BELT_MASS_SD = 0.03  # of a belt's mass about its drive's, log


@dataclass(slots=True, kw_only=True)
class Belts:
    """State and truth of each place's belt, each array of shape (n_places,)."""

    number: IntArray  # 0 is the belt with which the records begin
    install_row: IntArray  # row of its install among the visits; -1: none
    install_mi: FloatArray
    seen_from_mi: FloatArray  # since when it is in the records
    unit_life: FloatArray  # life over its scale
    is_breaking: BoolArray  # fails on the road, not found at a visit
    slope: FloatArray  # b, log per 1,000 mi
    mass_error: FloatArray  # log mass over the drive's
    frailty: FloatArray
    basis: IntArray  # what slack and excess are judged by
    basis_x: FloatArray
    slack: FloatArray  # log under the minimum at install, or 0
    excess: FloatArray  # log over the maximum at install, or 0
    log_time_ratio: FloatArray
    life_mi: FloatArray
    fail_day: FloatArray
    x: FloatArray  # log true tension, N
    run_in_loss: FloatArray
    has_run_in: BoolArray  # the run-in is still to come
    slip: FloatArray  # log loss still to come of an adjuster that slips
    mode: IntArray
    mark_mi: FloatArray  # whole odometer of the last reading or setting

    def at(self, place: IntArray) -> "Belts":
        """Copy some places' belts."""
        return Belts(**{f.name: getattr(self, f.name)[place] for f in fields(self)})


def draw_first_belts(world: World) -> Belts:
    """Draw the belts with which the records begin.

    Vehicles new in the records run from odometer 0 on a belt set at the works; the
    others run on one of unknown age that has survived to the first day.
    """
    rng, places = world.rng, world.places
    n = places.vehicle.size
    first_mi = world.vehicles.first_mi[places.vehicle]
    is_new = world.vehicles.in_service[places.vehicle] >= 0.0
    age_mi = np.floor(rng.random(n) * np.minimum(first_mi, 70_000.0))
    shape, scale_mi = SHAPE[places.model], SCALE_MI[places.model]
    z = rng.standard_normal(n)
    works = TARGET[places.drive, NEW] - RUN_IN[places.model] + 0.03 * z
    found = TARGET[places.drive, USED] - 0.03 + 0.09 * z
    zero = np.zeros(n)
    unit_life = ((age_mi / scale_mi) ** shape + rng.exponential(size=n)) ** (1 / shape)
    life_mi = np.maximum(scale_mi * unit_life, age_mi + 1.0)
    return Belts(
        number=np.zeros(n, dtype=np.int64),
        install_row=np.full(n, -1),
        install_mi=first_mi - age_mi,
        seen_from_mi=first_mi,
        unit_life=unit_life,
        is_breaking=rng.random(n) < BREAKS_ON_ROAD,
        slope=rng.normal(0.0, world.options.slope_sd, n),
        mass_error=rng.normal(0.0, BELT_MASS_SD, n),
        frailty=draw_frailties(rng, world.options.belt_frailty, n),
        basis=np.zeros(n, dtype=np.int64),
        basis_x=np.full(n, np.nan),
        slack=zero.copy(),
        excess=zero.copy(),
        log_time_ratio=zero.copy(),
        life_mi=life_mi,
        fail_day=world.day_at(np.arange(n), first_mi - age_mi + life_mi),
        x=np.where(is_new, works, found),
        run_in_loss=zero.copy(),
        has_run_in=np.zeros(n, dtype=np.bool_),
        slip=zero.copy(),
        mode=np.full(n, RUNNING),
        mark_mi=np.floor(first_mi),
    )


def fit_belts(
    belts: Belts, world: World, place: IntArray, *, row: IntArray, mi: FloatArray
) -> None:
    """Fit new belts in some places; their tension is the state already set."""
    rng, n, options = world.rng, place.size, world.options
    shape = SHAPE[world.places.model[place]]
    belts.number[place] += 1
    belts.install_row[place] = row
    belts.install_mi[place] = belts.seen_from_mi[place] = mi
    belts.unit_life[place] = rng.exponential(size=n) ** (1.0 / shape)
    belts.is_breaking[place] = rng.random(n) < BREAKS_ON_ROAD
    belts.slope[place] = rng.normal(0.0, options.slope_sd, n)
    belts.mass_error[place] = rng.normal(0.0, BELT_MASS_SD, n)
    belts.frailty[place] = draw_frailties(rng, options.belt_frailty, n)
    belts.run_in_loss[place] = 0.0
    belts.has_run_in[place] = True
    weigh(belts, world, place, state=NEW, mi=mi)


def weigh(
    belts: Belts, world: World, place: IntArray, *, state: int, mi: FloatArray
) -> None:
    """Judge the tension at install and let it set the belt's life.

    Of the install by the new range, then of the run-in recheck by the used range:
    log life = log scale + log unit life + a slack + c excess.
    """
    drive, x = world.places.drive[place], belts.x[place]
    slack = np.maximum(LOW[drive, state] - x, 0.0)
    excess = np.maximum(x - HIGH[drive, state], 0.0)
    ratio = np.maximum(LIFE_DOSE_SLACK * slack + LIFE_DOSE_EXCESS * excess, -1.2)
    ratio *= world.options.life_effect
    age_mi = mi - belts.install_mi[place]
    scale_mi = SCALE_MI[world.places.model[place]]
    life_mi = scale_mi * belts.unit_life[place] * np.exp(ratio)
    belts.basis[place] = 1 if state == NEW else 2
    belts.basis_x[place] = x
    belts.slack[place], belts.excess[place] = slack, excess
    belts.log_time_ratio[place] = ratio
    belts.life_mi[place] = np.maximum(life_mi, age_mi + 1.0)
    belts.fail_day[place] = world.day_at(
        place, belts.install_mi[place] + belts.life_mi[place]
    )


def drift_per_1000_mi(belts: Belts, world: World, place: IntArray) -> FloatArray:
    """Return beta + b, urban factor on beta included; log per 1,000 mi."""
    is_urban = world.vehicles.duty[world.places.vehicle[place]] == 0
    factor = np.where(is_urban, world.options.urban_drift, 1.0)
    return DRIFT[world.places.model[place]] * factor + belts.slope[place]
