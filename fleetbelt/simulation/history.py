"""The lockstep history: every belt place of a block lives through its visits.

One turn of the loop takes each place to its next event: a visit, a run-in recheck, a
belt that breaks on the road, or the end of its records. State is log true tension,
as in the fitted model: ``x <- x - (beta + b) miles/1000 + w``; once after an install
``x <- x - lambda + w_r``; a setting makes it ``log target + habit - kappa rho + e``.
"""

from dataclasses import dataclass, fields

import numpy as np

from fleetbelt.simulation.arrays import HIGH, LOW, RUN_IN, USED
from fleetbelt.simulation.belts import (
    AWAITS_BELT,
    AWAITS_RECHECK,
    AWAITS_REFIT,
    RUNNING,
    draw_first_belts,
    drift_per_1000_mi,
    fit_belts,
    weigh,
)
from fleetbelt.simulation.noise import Noises, event_rates
from fleetbelt.simulation.scenario import VISIT_MI
from fleetbelt.simulation.tables import BoolArray, Columns, FloatArray, IntArray, Table
from fleetbelt.simulation.visits import (
    INSTALL,
    NO_REASON,
    OTHER_WORK,
    RECHECK,
    REMOVE,
    Visits,
    arrive,
    read_found,
    set_tension,
)
from fleetbelt.simulation.world import World

ENDED_RUNNING, ENDED_FAILED, ENDED_REMOVED = range(3)
LAST_FAILURE = 3  # reasons up to noise are failures


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockHistory:
    """What happened in a block: columns of visits, belts, and noises and repairs."""

    visits: Columns
    belts: Columns
    events: Columns


class History:
    """Plays one block; `play` may be called once."""

    def __init__(self, world: World) -> None:
        n = world.places.vehicle.size
        self.world, self.belts = world, draw_first_belts(world)
        self.noises = Noises(n, world.rng)
        self.visits, self.ended = Table(), Table()
        self.day = world.vehicles.first_day[world.places.vehicle]
        self.mi = world.vehicles.first_mi[world.places.vehicle]
        self.last_day = world.vehicles.last_day[world.places.vehicle]
        self.n_rows = 0

    def play(self) -> BlockHistory:
        """Take every place to its end, all of them one event a turn."""
        place = np.arange(self.day.size)
        first = self.world.rng.random(place.size)  # of a usual stretch between visits
        while place.size:
            day, broke = self._next_event(place, first)
            is_over = day >= self.last_day[place]
            self._drive(place, np.minimum(day, self.last_day[place]))
            self._finish(place[is_over])
            place, day, broke = place[~is_over], day[~is_over], broke[~is_over]
            self._visit(place, day, broke)
            first = np.ones(place.size)
        return BlockHistory(
            visits=self.visits.join(),
            belts=self.ended.join(),
            events=self.noises.events.join(),
        )

    def _next_event(
        self, place: IntArray, share: FloatArray
    ) -> tuple[FloatArray, BoolArray]:
        """Day of the next visit or break, and whether it is a break."""
        rng, n, mode = self.world.rng, place.size, self.belts.mode[place]
        stretch_mi = VISIT_MI * np.exp(0.25 * rng.standard_normal(n)) * share
        daily_mi = self.world.vehicles.daily_mi[self.world.places.vehicle[place]]
        at_once = rng.random(n) < 0.7
        wait = np.where(at_once, rng.uniform(0.003, 0.05, n), rng.uniform(0.1, 4.0, n))
        gap = np.select(
            [mode == RUNNING, mode == AWAITS_RECHECK],
            [stretch_mi / daily_mi, wait],
            rng.uniform(0.005, 0.03, n),
        )
        day, fail_day = self.day[place] + gap, self.belts.fail_day[place]
        broke = self.belts.is_breaking[place] & (mode < AWAITS_BELT) & (fail_day < day)
        return np.where(broke, np.maximum(fail_day, self.day[place]), day), broke

    def _drive(self, place: IntArray, day: FloatArray) -> None:
        """Run the belts to a day: tension lost, noises heard."""
        belts, world, rng = self.belts, self.world, self.world.rng
        mi, is_on = world.odometer(place, day), belts.mode[place] < AWAITS_BELT
        miles = (mi - self.mi[place]) * is_on
        noise = world.options.run_in_sd * rng.standard_normal(place.size)
        run_in = RUN_IN[world.places.model[place]] + noise
        run_in = run_in * belts.has_run_in[place] * is_on
        lost = drift_per_1000_mi(belts, world, place) * miles / 1e3
        start = belts.x[place] - run_in - belts.slip[place]
        self._hear(place, x=start - lost / 2.0, miles=miles)
        belts.x[place] = start - lost
        belts.run_in_loss[place] += run_in
        belts.has_run_in[place] = belts.has_run_in[place] & ~is_on
        belts.slip[place] = 0.0
        self.day[place], self.mi[place] = day, mi

    def _hear(self, place: IntArray, *, x: FloatArray, miles: FloatArray) -> None:
        """Noise by the tension at install and, less, by the tension now."""
        belts, world, now = self.belts, self.world, self.world.options.noise_now
        drive = world.places.drive[place]
        slack = np.maximum(LOW[drive, USED] - x, 0.0) * now + belts.slack[place]
        excess = np.maximum(x - HIGH[drive, USED], 0.0) * now + belts.excess[place]
        rates = event_rates(slack, excess)
        rates[world.places.is_second[place] == 1, 5:] = 0.0  # repairs: main belts
        owner = world.vehicles.frailty[world.places.vehicle[place]]
        self.noises.drive(
            place, rates, belts.frailty[place] * owner, self.mi[place], miles
        )

    def _visit(self, place: IntArray, day: FloatArray, broke: BoolArray) -> None:
        belts, world = self.belts, self.world
        visits = arrive(belts, world, place, day=day, broke=broke)
        read_found(visits, belts, world)
        x_before = belts.x[place]
        set_tension(visits, belts, world)
        self._turn_over(visits, x_before)
        self.n_rows += place.size
        self.visits.add(**{f.name: getattr(visits, f.name) for f in fields(visits)})

    def _turn_over(self, visits: Visits, x_before: FloatArray) -> None:
        """End the belts that come off, begin those fitted, and plan the recheck."""
        belts, world, place = self.belts, self.world, visits.place
        row, mi = self.n_rows + np.arange(place.size), np.floor(visits.mi)
        action, mode = visits.action, belts.mode[place]
        off = (action == INSTALL) & (mode < AWAITS_BELT)
        returns = world.rng.random(place.size) < 0.5
        returns &= (action == REMOVE) & (visits.reason == OTHER_WORK)
        off |= (action == REMOVE) & ~returns
        has_failed = (visits.reason > NO_REASON) & (visits.reason <= LAST_FAILURE)
        self._end(
            place[off],
            np.where(has_failed[off], ENDED_FAILED, ENDED_REMOVED),
            row[off],
            x_before[off],
        )
        fitted = action == INSTALL
        fit_belts(belts, world, place[fitted], row=row[fitted], mi=mi[fitted])
        rechecked = action == RECHECK
        weigh(belts, world, place[rechecked], state=USED, mi=mi[rechecked])
        chance = world.crew.technicians.rechecks[visits.technician]
        is_planned = fitted & (world.rng.random(place.size) < chance)
        belts.mode[place] = np.select(
            [returns, action == REMOVE, is_planned],
            [AWAITS_REFIT, AWAITS_BELT, AWAITS_RECHECK],
            RUNNING,
        )

    def _finish(self, place: IntArray) -> None:
        """End the records of belts that still run, the last interval's noise in."""
        on = place[self.belts.mode[place] < AWAITS_BELT]
        noise = self.world.options.process_sd * self.world.rng.standard_normal(on.size)
        x = self.belts.x[on] + noise
        none = np.full(on.size, -1)
        self._end(on, np.full(on.size, ENDED_RUNNING), none, x)

    def _end(
        self, place: IntArray, state: IntArray, row: IntArray, x: FloatArray
    ) -> None:
        truth = self.belts.at(place)
        self.ended.add(
            place=place,
            end_state=state,
            end_row=row,
            end_mi=np.floor(self.mi[place]),
            end_day=self.day[place],
            end_x=x,
            expected=self.noises.expected[place].copy(),
            **{f.name: getattr(truth, f.name) for f in fields(truth)},
        )
        self.noises.reset(place)
