"""Vehicles and the belt places on them, a block of vehicles at a time."""

from dataclasses import dataclass

import numpy as np

from fleetbelt.simulation.noise import draw_frailties
from fleetbelt.simulation.options import SimulationOptions
from fleetbelt.simulation.scenario import DEPOTS, DUTY_DAILY_MI, DUTY_SHARE, MODELS
from fleetbelt.simulation.tables import FloatArray, IntArray, Rng

SEASON_DAYS, SEASON = 12.0, 2.0 * np.pi / 365.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicles:
    """A block of vehicles, each array of shape (n_vehicles,).

    Days count from the first day of the records. ``in_service`` may be negative,
    ``first_day`` is where the records of the vehicle begin and ``last_day`` where
    they end: retirement, or the last day of the records.
    """

    model: IntArray
    drive: IntArray
    depot: IntArray
    duty: IntArray
    daily_mi: FloatArray
    season: FloatArray
    in_service: FloatArray
    first_day: FloatArray
    first_mi: FloatArray
    last_day: FloatArray
    frailty: FloatArray

    def odometer(self, vehicle: IntArray, day: FloatArray) -> FloatArray:
        """Odometer, mi: the daily miles with a yearly swing of a fifth."""
        start = self._swung(vehicle, self.first_day[vehicle])
        driven = self._swung(vehicle, day) - start
        return self.first_mi[vehicle] + self.daily_mi[vehicle] * driven

    def day_at(self, vehicle: IntArray, odometer_mi: FloatArray) -> FloatArray:
        """Day on which an odometer is reached: inverse of `odometer`.

        The fixed point of ``day = s - 12 sin(...)`` contracts by 0.21 a round.
        """
        start = self._swung(vehicle, self.first_day[vehicle])
        swung = start + (odometer_mi - self.first_mi[vehicle]) / self.daily_mi[vehicle]
        day = swung.copy()
        for _ in range(10):
            day = swung - SEASON_DAYS * np.sin(SEASON * day + self.season[vehicle])
        return day

    def _swung(self, vehicle: IntArray, day: FloatArray) -> FloatArray:
        return day + SEASON_DAYS * np.sin(SEASON * day + self.season[vehicle])


def draw_vehicles(
    rng: Rng, n: int, n_days: int, options: SimulationOptions
) -> Vehicles:
    """Draw a block of vehicles: 7 in 10 were in service before the records begin."""
    model = rng.choice(len(MODELS), size=n, p=[model.share for model in MODELS])
    is_variant = rng.random(n) < np.array([m.variant_share for m in MODELS])[model]
    main = np.array([m.main for m in MODELS])
    duty = rng.choice(len(DUTY_SHARE), size=n, p=DUTY_SHARE)
    daily_mi = np.clip(
        np.array(DUTY_DAILY_MI)[duty] * np.exp(0.2 * rng.standard_normal(n)), 40, 120
    )
    is_old = rng.random(n) < 0.7
    in_service = np.floor(
        np.where(is_old, -rng.uniform(60, 2200, n), rng.uniform(0.03, 0.8, n) * n_days)
    )
    wear = daily_mi * np.exp(0.1 * rng.standard_normal(n))
    first_day = np.maximum(in_service, 0.0)
    life_days = rng.exponential(365.25 / 0.035, n) + 200.0
    return Vehicles(
        model=model,
        drive=main[model, is_variant.astype(np.int64)],
        depot=rng.integers(0, len(DEPOTS), n),
        duty=duty,
        daily_mi=daily_mi,
        season=rng.uniform(0.0, 2.0 * np.pi, n),
        in_service=in_service,
        first_day=first_day,
        first_mi=np.where(is_old, np.floor(-in_service * wear), 0.0),
        last_day=np.minimum(np.floor(first_day + life_days), float(n_days)),
        frailty=draw_frailties(rng, options.vehicle_frailty, n),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Where a belt can run, main and second belts, each of shape (n_places,)."""

    vehicle: IntArray
    drive: IntArray
    model: IntArray
    is_second: IntArray


def belt_places(vehicles: Vehicles) -> Places:
    """One place a vehicle, and a second one where the model has two belts."""
    second = np.array([-1 if m.second is None else m.second for m in MODELS])
    has_two = np.flatnonzero(second[vehicles.model] >= 0)
    main = np.arange(vehicles.model.size)
    vehicle = np.concatenate([main, has_two])
    return Places(
        vehicle=vehicle,
        drive=np.concatenate([vehicles.drive, second[vehicles.model[has_two]]]),
        model=vehicles.model[vehicle],
        is_second=np.repeat([0, 1], [main.size, has_two.size]),
    )
