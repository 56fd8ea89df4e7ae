"""What happens to the belts at one turn's visits: decide, read, set."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetbelt.simulation.arrays import HIGH, LOW, NEW, SETTING, SPAN_MM, TARGET, USED
from fleetbelt.simulation.belts import (
    AWAITS_BELT,
    AWAITS_RECHECK,
    AWAITS_REFIT,
    RUNNING,
    Belts,
)
from fleetbelt.simulation.scenario import FOUND_SHARE, MISC_SHARE
from fleetbelt.simulation.tables import BoolArray, FloatArray, IntArray
from fleetbelt.simulation.world import World

# In the contract's order within one mile.
ACTIONS: Final = ("inspect", "retension", "remove", "install", "refit", "recheck")
INSPECT, RETENSION, REMOVE, INSTALL, REFIT, RECHECK = range(6)
REASONS: Final = (
    "broken", "worn", "cracked", "noise",
    "contaminated", "accident", "other_work", "unknown", "preventive",
)  # fmt: skip
NO_REASON, BROKEN, WORN, CONTAMINATED, OTHER_WORK, PREVENTIVE = -1, 0, 1, 4, 6, 8
VIBRATION_SD = 2.0 * 0.01 * 2.0**0.5  # 1 % of Hz and of the span, log tension


@dataclass(slots=True, kw_only=True)
class Visits:
    """One turn's visits, each array of shape (n_visits,)."""

    place: IntArray
    day: FloatArray
    mi: FloatArray
    action: IntArray
    reason: IntArray
    technician: IntArray
    gauge: IntArray
    span_mm: FloatArray
    n_averaged: IntArray
    is_hot: BoolArray
    rho: FloatArray  # log shown over true of this gauge on this span
    shift: FloatArray  # rho, and what else moves the reading
    x_found: FloatArray  # log true tension, N; nan: no belt
    y_found: FloatArray  # log reading, N; nan: not read
    x_left: FloatArray
    y_left: FloatArray
    applied: IntArray  # belt state whose range was worked to; -1: nothing set


def arrive(
    belts: Belts, world: World, place: IntArray, *, day: FloatArray, broke: BoolArray
) -> Visits:
    """Decide what each visit is for, who does it, and with which gauge."""
    rng, n = world.rng, place.size
    mi = world.odometer(place, day)
    action, reason = _decide(belts, world, place, day=day, broke=broke)
    home = world.vehicles.depot[world.places.vehicle[place]] % world.crew.n_shops
    away = rng.integers(0, world.crew.n_shops, n)
    shop = np.where(rng.random(n) < 0.04, away, home)
    technician = world.crew.pick_technician(shop, rng.random(n))
    gauge = world.crew.pick_gauge(technician, rng.random(n))
    choice = (rng.random(n) < 0.25).astype(np.int64)
    span_mm = SPAN_MM[world.places.drive[place], choice]
    is_late = day >= world.n_days / 2
    rho = world.crew.gauges.log_ratio(gauge, span_mm, is_late)
    is_hot = rng.random(n) < 0.25
    nan = np.full(n, np.nan)
    return Visits(
        place=place,
        day=day,
        mi=mi,
        action=action,
        reason=reason,
        technician=technician,
        gauge=gauge,
        span_mm=span_mm,
        n_averaged=np.where(rng.random(n) < 0.05, rng.integers(2, 4, n), 1),
        is_hot=is_hot,
        rho=rho,
        shift=rho + world.options.hot_effect * is_hot,
        x_found=np.where(belts.mode[place] < AWAITS_BELT, belts.x[place], np.nan),
        y_found=nan.copy(),
        x_left=nan.copy(),
        y_left=nan.copy(),
        applied=np.full(n, -1),
    )


def _decide(
    belts: Belts, world: World, place: IntArray, *, day: FloatArray, broke: BoolArray
) -> tuple[IntArray, IntArray]:
    rng, n = world.rng, place.size
    mode = belts.mode[place]
    regular = mode == RUNNING
    failed = broke | ((mode < AWAITS_BELT) & (belts.fail_day[place] <= day))
    u = rng.random(n) if world.options.misc_removals else np.ones(n)
    age_mi = world.odometer(place, day) - belts.install_mi[place]
    by_age = regular & (world.places.vehicle[place] % 3 == 0)
    is_due = by_age & (age_mi > 90_000.0) & world.options.misc_removals
    is_misc, is_refit = regular & (u < 0.012), regular & (u < 0.025)
    found_reason = WORN + _choose(rng.random(n), FOUND_SHARE)
    misc_reason = CONTAMINATED + _choose(rng.random(n), MISC_SHARE)
    reason = np.select(
        [mode >= AWAITS_BELT, broke, failed, is_due, is_misc],
        [NO_REASON, BROKEN, found_reason, PREVENTIVE, misc_reason],
        NO_REASON,
    )
    is_taken_off = is_misc & ~failed & ~is_due & (u < 0.004)
    action = np.select(
        [mode == AWAITS_BELT, mode == AWAITS_REFIT, is_taken_off, reason >= 0],
        [INSTALL, REFIT, REMOVE, INSTALL],
        np.where(is_refit, REFIT, np.where(mode == AWAITS_RECHECK, RECHECK, INSPECT)),
    )
    return action, reason


def _choose(u: FloatArray, shares: tuple[float, ...]) -> IntArray:
    return np.searchsorted(np.cumsum(shares)[:-1], u, side="right")


def read_found(visits: Visits, belts: Belts, world: World) -> None:
    """Read the belt as found; a reading ends an interval, so its noise q comes in."""
    rng, place = world.rng, visits.place
    chance = np.array([0.92, 1.0, 0.5, 0.3, 0.0, 1.0])[visits.action]
    reads = rng.random(place.size) < chance
    reads &= ~np.isnan(visits.x_found) & (visits.reason != BROKEN)
    is_on = np.floor(visits.mi) > belts.mark_mi[place]
    noise = world.options.process_sd * rng.standard_normal(place.size)
    visits.x_found = visits.x_found + noise * (reads & is_on)
    visits.y_found = np.where(
        reads, _show(visits, belts, world, visits.x_found), np.nan
    )
    belts.x[place] = np.where(reads, visits.x_found, belts.x[place])
    belts.mark_mi[place] = np.where(reads, np.floor(visits.mi), belts.mark_mi[place])


def _show(visits: Visits, belts: Belts, world: World, x: FloatArray) -> FloatArray:
    """Show what the gauge shows, as log newtons, for a true log tension x."""
    is_vibration = world.crew.gauges.method[visits.gauge] == 2
    sd = np.where(is_vibration, VIBRATION_SD, world.options.reading_sd)
    noise = world.rng.standard_normal(x.size) * sd / np.sqrt(visits.n_averaged)
    mass = np.where(is_vibration, belts.mass_error[visits.place], 0.0)
    return x + visits.shift - mass + noise


def set_tension(visits: Visits, belts: Belts, world: World) -> None:
    """Set what is to be set: log T = log target + habit + m - kappa rho + e."""
    rng, place, crew = world.rng, visits.place, world.crew.technicians
    n, who, drive = place.size, visits.technician, world.places.drive[place]
    _retension(visits, world)
    was_low = _judged(visits, world) < LOW[drive, USED] + crew.margin[who]
    was_high = _judged(visits, world) > HIGH[drive, USED]
    action = visits.action
    sets = (action == INSTALL) | (action == RETENSION) | (action == REFIT)
    cares = rng.random(n) < 0.85
    sets |= (action == RECHECK) & (was_low | was_high) & cares
    proper = np.where(action == INSTALL, NEW, USED)
    is_wrong = rng.random(n) < world.options.wrong_range_share
    applied = np.where(is_wrong, 1 - proper, proper)
    kappa = 1.0 - crew.corrects[who]
    aim = TARGET[drive, applied] + crew.habit[who] - kappa * visits.rho
    x_set = aim + SETTING[world.places.model[place]]
    x_set = x_set + crew.spread[who] * rng.standard_normal(n)
    visits.x_left = np.where(sets, x_set, np.nan)
    missed = np.array([0.0, 0.03, 0.0, 0.03, 0.2, 0.0])[action]
    writes = sets & (rng.random(n) >= missed * world.options.unrecorded)
    shown = _show(visits, belts, world, x_set)
    visits.y_left = np.where(writes, shown, np.nan)
    visits.applied = np.where(sets, applied, -1)
    belts.x[place] = np.where(sets, x_set, belts.x[place])
    belts.slip[place] = np.where(sets, crew.slip[who], belts.slip[place])
    belts.mark_mi[place] = np.where(sets, np.floor(visits.mi), belts.mark_mi[place])


def _judged(visits: Visits, world: World) -> FloatArray:
    """Return the found tension as the technician takes it, gauge corrected or not."""
    corrects = world.crew.technicians.corrects[visits.technician]
    return visits.y_found - corrects * visits.rho


def _retension(visits: Visits, world: World) -> None:
    """Turn inspections into retensions: low, high, and now and then needlessly."""
    drive = world.places.drive[visits.place]
    margin = world.crew.technicians.margin[visits.technician]
    judged, u = _judged(visits, world), world.rng.random(visits.place.size)
    is_low = (judged < LOW[drive, USED] + margin) & (u < 0.94)
    is_high = (judged > HIGH[drive, USED] + 0.04) & (u < 0.6)
    sets = (visits.action == INSPECT) & ~np.isnan(judged)
    sets &= is_low | is_high | (u < 0.02)
    visits.action = np.where(sets, RETENSION, visits.action)
