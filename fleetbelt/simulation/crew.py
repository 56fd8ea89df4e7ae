"""Who works on the belts and with what: technicians, gauges, calibrations."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetbelt.simulation.options import SimulationOptions
from fleetbelt.simulation.scenario import (
    DEPOTS,
    EVERY_GAUGE,
    EVERY_TECHNICIAN,
    HABIT_MEAN,
    HABIT_SD,
    HIGH_GAUGE,
    LOOSE_SETTER,
    PUSH_GAUGE,
    RECHECK_SKIPPER,
    SHORT_SPAN_GAUGE,
    TWO_SPAN_GAUGE,
    UNCALIBRATED_GAUGE,
    UNCORRECTING_SHOP,
    VIBRATION_GAUGE,
)
from fleetbelt.simulation.tables import BoolArray, FloatArray, IntArray, Rng

UNITS: Final = ("lbf", "N", "kgf", "Hz")
HERTZ = 3
RESOLUTION: Final = np.array([0.5, 2.0, 0.2, 0.5])
REFERENCE: Final = np.array([120.0, 500.0, 50.0, np.nan])
METHODS: Final = ("finger", "push", "vibration")
CALIBRATED_SPANS_MM: Final = np.array([150.0, 178.0, 230.0, 305.0, 400.0])
SHORT_MM = 178.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Technicians:
    """Truths of the technicians, each of shape (n_technicians,).

    ``habit`` is mu + b_t (log), ``corrects`` the share of the gauge's error that is
    corrected, ``spread`` the log sd of a setting, ``rechecks`` the chance that an
    install is rechecked, ``margin`` the log distance above the minimum at which a
    belt is set again, ``slip`` the log tension lost right after each setting.
    """

    shop: IntArray
    habit: FloatArray
    corrects: FloatArray
    spread: FloatArray
    rechecks: FloatArray
    margin: FloatArray
    slip: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauges:
    """Truths of the gauges, each of shape (n_gauges,)."""

    shop: IntArray
    unit: IntArray
    method: IntArray
    scale: FloatArray
    short: FloatArray
    repeatability: FloatArray
    n_calibrations: IntArray
    is_two_span: BoolArray
    jump: FloatArray

    def log_ratio(
        self, gauge: IntArray, span_mm: FloatArray, is_late: BoolArray
    ) -> FloatArray:
        """Log of shown over true: scale - short (178 mm / L)**2, and the jump."""
        bend = self.short[gauge] * (SHORT_MM / span_mm) ** 2
        return self.scale[gauge] - bend + self.jump[gauge] * is_late


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """Everyone and everything that measures; one crew serves the whole fleet."""

    n_shops: int
    technicians: Technicians
    gauges: Gauges

    def pick_technician(self, shop: IntArray, u: FloatArray) -> IntArray:
        """Draw a technician of a shop from u in [0, 1)."""
        return self._pick(shop, u, self.technicians.shop.size)

    def pick_gauge(self, technician: IntArray, u: FloatArray) -> IntArray:
        """Draw the technician's usual gauge (7 in 10) or any of the shop's."""
        shop, n_gauges = self.technicians.shop[technician], self.gauges.shop.size
        n_here = (n_gauges - shop - 1) // self.n_shops + 1
        usual = shop + self.n_shops * ((technician // self.n_shops) % n_here)
        return np.where(u < 0.7, usual, self._pick(shop, (u - 0.7) / 0.3, n_gauges))

    def _pick(self, shop: IntArray, u: FloatArray, n: int) -> IntArray:
        n_here = (n - shop - 1) // self.n_shops + 1
        turn = np.floor(np.clip(u, 0.0, 1.0 - 1e-12) * n_here).astype(np.int64)
        return shop + self.n_shops * turn


def draw_crew(rng: Rng, n_vehicles: int, options: SimulationOptions) -> Crew:
    """Draw technicians and gauges, dealt to the shops in turn."""
    n_technicians = options.n_technicians or int(np.clip(n_vehicles // 320, 15, 400))
    n_gauges = options.n_gauges or int(np.clip(n_vehicles // 400, 12, 120))
    n_shops = min(len(DEPOTS), n_technicians, n_gauges)
    return Crew(
        n_shops=n_shops,
        technicians=_draw_technicians(rng, n_technicians, n_shops, options),
        gauges=_draw_gauges(rng, n_gauges, n_shops, options),
    )


def _draw_technicians(
    rng: Rng, n: int, n_shops: int, options: SimulationOptions
) -> Technicians:
    shop = np.arange(n) % n_shops
    habit = rng.normal(HABIT_MEAN, HABIT_SD, n)
    corrects = (rng.random(n) < 0.45).astype(np.float64)
    spread = np.exp(rng.normal(np.log(0.05), 0.25, n))
    rechecks = rng.beta(6.0, 5.0, n)
    margin = rng.normal(0.015, 0.02, n)
    if options.equal_technicians:
        habit[:], spread[:], margin[:] = HABIT_MEAN, 0.05, 0.015
        corrects[:], rechecks[:] = 0.0, 0.55
    else:
        corrects[:n_shops] = 1.0  # each shop has someone who corrects, but one
        corrects[shop == UNCORRECTING_SHOP] = 0.0
        rechecks[RECHECK_SKIPPER::EVERY_TECHNICIAN] = 0.03
        habit[LOOSE_SETTER::EVERY_TECHNICIAN] = -0.15
    slip = np.where(np.arange(n) < options.n_slipping, options.slip, 0.0)
    return Technicians(
        shop=shop,
        habit=habit,
        corrects=corrects,
        spread=spread,
        rechecks=rechecks,
        margin=margin,
        slip=slip,
    )


def _draw_gauges(rng: Rng, n: int, n_shops: int, options: SimulationOptions) -> Gauges:
    number = np.arange(n)
    kind = number % EVERY_GAUGE
    odd = np.where(options.odd_gauges, kind, -1)
    method = np.select([odd == VIBRATION_GAUGE, kind == PUSH_GAUGE], [2, 1], 0)
    unit = np.where(method == 2, HERTZ, np.resize([0, 1, 0, 1, 1, 2, 0, 1], n))
    scale = rng.normal(0.0, 0.015, n)
    short = rng.uniform(0.02, 0.06, n) * np.where(method == 1, 0.4, 1.0)
    short[SHORT_SPAN_GAUGE::EVERY_GAUGE] = 0.16
    scale[HIGH_GAUGE::EVERY_GAUGE] = 0.15
    has_error = (method != 2) & options.gauge_error
    n_calibrations = np.where(method == 2, 0, 1 + rng.integers(0, 3, n))
    n_calibrations[odd == UNCALIBRATED_GAUGE] = 0
    n_calibrations[0] = 3
    jump = np.where(number == 0, options.gauge_jump, 0.0)
    return Gauges(
        shop=number % n_shops,
        unit=unit,
        method=method,
        scale=scale * has_error,
        short=short * has_error,
        repeatability=rng.uniform(0.007, 0.013, n),
        n_calibrations=n_calibrations,
        is_two_span=odd == TWO_SPAN_GAUGE,
        jump=jump,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrations:
    """Readings of known loads, each of shape (n_readings,); day 0 is the start."""

    gauge: IntArray
    day: IntArray
    span_mm: FloatArray
    reading: FloatArray
    technician: IntArray
    run: IntArray


def calibrate(
    rng: Rng, crew: Crew, n_days: int, options: SimulationOptions
) -> Calibrations:
    """Take the calibration readings: gauge x date x operator x span x run.

    Two technicians of the shop share a gauge's first calibration, one takes the
    later ones; 3 to 5 runs by gauge.
    """
    gauges = crew.gauges
    n_runs = 3 + rng.integers(0, 3, gauges.shop.size)
    first_day = -20 - rng.integers(0, 20, gauges.shop.size)
    grid = np.indices((gauges.shop.size, 3, 2, CALIBRATED_SPANS_MM.size, 5))
    gauge, visit, operator, span, run = grid.reshape(5, -1)
    keep = (
        (visit < gauges.n_calibrations[gauge])
        & ((operator == 0) | (visit == 0))
        & (~gauges.is_two_span[gauge] | (span == 1) | (span == 3))
        & (run < n_runs[gauge])
    )
    gauge, visit, operator, span, run = (
        a[keep] for a in (gauge, visit, operator, span, run)
    )
    day = first_day[gauge] + visit * n_days // 3
    span_mm = CALIBRATED_SPANS_MM[span]
    technician = crew.pick_technician(gauges.shop[gauge], (operator + 0.5) / 2.0)
    reader = rng.normal(0.0, options.operator_sd, crew.technicians.shop.size)
    log_reading = (
        gauges.log_ratio(gauge, span_mm, day >= n_days / 2)
        + reader[technician]
        + gauges.repeatability[gauge] * rng.standard_normal(gauge.size)
    )
    unit = gauges.unit[gauge]
    return Calibrations(
        gauge=gauge,
        day=day,
        span_mm=span_mm,
        reading=to_resolution(REFERENCE[unit] * np.exp(log_reading), unit),
        technician=technician,
        run=operator * n_runs[gauge] + run + 1,
    )


def to_resolution(value: FloatArray, unit: IntArray) -> FloatArray:
    """Round to the gauge's graduation, without binary tails such as 104.60000001."""
    step = RESOLUTION[unit]
    rounded: FloatArray = np.round(np.round(value / step) * step, 1)
    return rounded
