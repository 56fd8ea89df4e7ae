"""What of the invented fleet's behaviour can be switched or set."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulationOptions:
    """Switches of the generating model; the defaults are the plausible fleet.

    Attributes
    ----------
    n_technicians, n_gauges : int or None
        Head counts; None lets them grow with the number of vehicles.
    equal_technicians : bool
        One habit, spread, correction and recheck discipline for everyone.
    gauge_error : bool
        False makes every gauge true at every span (repeatability stays).
    odd_gauges : bool
        Whether one gauge in twelve each is a vibration gauge, was never calibrated,
        or at two spans only.
    reading_sd, process_sd, run_in_sd : float
        r of one field reading, q of an interval, q_r of the run-in; log tension.
    slope_sd : float
        Between-belt spread tau of the drift, log tension per 1,000 mi.
    misc_removals : bool
        Removals that are no failure (oil, accident, other work, by age) and refits.
    life_effect : bool
        Whether the tension at install changes belt life.
    unrecorded : bool
        Whether a span, a gauge or a left reading is now and then not written down.
    wrong_range_share : float
        Share of settings made to the range of the other belt state.
    belt_frailty, vehicle_frailty : float
        Variance of a gamma factor of mean 1 on the noise rates; 0 is Poisson.
    noise_now : float
        Dose of the present tension on noise, as a multiple of the install's dose.
    operator_sd : float
        Between-technician sd of calibration readings, log.
    hot_effect : float
        Log shift of a reading taken on a hot belt.
    urban_drift : float
        Drift of urban vehicles as a multiple of their model's.
    gauge_jump : float
        Log shift of the first gauge's ratio half-way through the records.
    n_slipping : int
        So many first technicians leave the adjuster to slip after each setting.
    slip : float
        Log tension that it then loses.
    records_from : date or None
        Before it only the fitting of belts that were still running then is written.
    truth : bool
        Whether the truth folder is written.
    """

    n_technicians: int | None = None
    n_gauges: int | None = None
    equal_technicians: bool = False
    gauge_error: bool = True
    odd_gauges: bool = True
    reading_sd: float = 0.02
    process_sd: float = 0.008
    run_in_sd: float = 0.02
    slope_sd: float = 0.002
    misc_removals: bool = True
    life_effect: bool = True
    unrecorded: bool = True
    wrong_range_share: float = 0.006
    belt_frailty: float = 0.0
    vehicle_frailty: float = 0.0
    noise_now: float = 0.4
    operator_sd: float = 0.0
    hot_effect: float = 0.0
    urban_drift: float = 1.0
    gauge_jump: float = 0.0
    n_slipping: int = 0
    slip: float = 0.10
    records_from: date | None = None
    truth: bool = True
