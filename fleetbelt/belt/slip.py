"""How near each pulley is to slipping: estimates that explain a range, never approve.

Friction is the great unknown: a wet or oily belt holds far less than a dry one.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from fleetbelt.belt.domain import FloatArray, not_negative, positive
from fleetbelt.belt.geometry import Layout
from fleetbelt.errors import InputError

Form = Literal["fixed_centre", "classic"]
"""What the install tension contains.

fixed_centre: centres do not move and the belt is linear, so the mean total tension
stays at the install value and ``m v**2`` is taken from the grip (conservative).
classic: the textbook's install tension, to which ``m v**2`` is added when running.
"""

_CENTRIFUGAL_SHARE: Final = {"fixed_centre": 1.0, "classic": 0.0}

CONVENTION_FRICTION: Final = 0.5123
"""Effective friction of the V-belt design convention: 5 to 1 over half a turn."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Running:
    """What the drive carries while it runs.

    Attributes
    ----------
    pull_n : ndarray of float, shape (n_pulleys,)
        Effective pull that each accessory takes, N; 0 for an idler. The driver's own
        entry is not read: it gives the sum of the others.
    belt_speed_m_s : float
        Speed of the belt, m/s.
    mass_g_per_m : float
        Mass of the belt per length, g/m.
    driver : int
        Index of the pulley that drives.
    """

    pull_n: FloatArray
    belt_speed_m_s: float
    mass_g_per_m: float
    driver: int = 0

    @property
    def centrifugal_n(self) -> float:
        """Tension ``m v**2`` that presses on no pulley, N."""
        return float(centrifugal_n(self.mass_g_per_m, self.belt_speed_m_s))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpanTensions:
    """Estimated tensions of a running drive.

    Attributes
    ----------
    tension_n : ndarray of float, shape (..., n_pulleys)
        Total tension of the span after each pulley, N.
    centrifugal_n : float
        The part of it that presses on no pulley, N.
    utilisation : ndarray of float, shape (..., n_pulleys)
        Share of its grip that each pulley uses; above 1 it slips, infinite where the
        belt goes slack.
    """

    tension_n: FloatArray
    centrifugal_n: float
    utilisation: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RequiredInstall:
    """Estimated install tension below which a drive slips.

    Attributes
    ----------
    pulley_n : ndarray of float, shape (n_pulleys,)
        Least install tension at which each pulley just holds, N.
    slack_n : float
        Least install tension that keeps every span taut, N.
    governing_n : float
        The largest of them, N.
    """

    pulley_n: FloatArray
    slack_n: float
    governing_n: float


def wedge_friction(friction: ArrayLike, *, groove_deg: ArrayLike) -> FloatArray:
    """Return the effective friction of a rib in its groove.

    Parameters
    ----------
    friction : array_like of float, shape (n,)
        Coefficient of friction, dimensionless.
    groove_deg : array_like of float, shape (n,)
        Angle between the groove's flanks, degrees; 180 is flat.

    Returns
    -------
    ndarray of float, shape (n,)
        ``mu / sin(beta / 2)``, dimensionless.

    Raises
    ------
    InputError
        An argument is zero or negative.
    """
    half_angle = np.radians(positive("groove_deg", groove_deg)) / 2.0
    return positive("friction", friction) / np.sin(half_angle)


def pulley_friction(
    layout: Layout, *, ribbed: float, back: float, groove_deg: float = 40.0
) -> FloatArray:
    """Return the effective friction at each pulley of a drive.

    Parameters
    ----------
    layout : Layout
        The drive.
    ribbed, back : float
        Coefficients of friction of the ribs and of the smooth back, dimensionless.
    groove_deg : float
        Angle between a groove's flanks, degrees.

    Returns
    -------
    ndarray of float, shape (n_pulleys,)
        Wedge friction at ribbed pulleys, plain friction at back-side ones.

    Raises
    ------
    InputError
        An argument is zero or negative.
    """
    wedge = wedge_friction(ribbed, groove_deg=groove_deg)
    is_ribbed = [pulley.side == "ribbed" for pulley in layout.pulleys]
    return np.where(is_ribbed, wedge, positive("back", back))


def grip_ratio(friction: ArrayLike, wrap_rad: ArrayLike) -> FloatArray:
    """Return the largest ratio of tensions that a pulley holds.

    Parameters
    ----------
    friction : array_like of float, shape (n,)
        Effective friction, dimensionless.
    wrap_rad : array_like of float, shape (n,)
        Angle over which the pulley is touched, rad.

    Returns
    -------
    ndarray of float, shape (n,)
        ``exp(mu' wrap)`` of the tensions net of ``m v**2`` [1]_.

    Raises
    ------
    InputError
        An argument is zero or negative.

    References
    ----------
    .. [1] Eytelwein, *Handbuch der Statik fester Körper* (1808).
    """
    angle = positive("friction", friction) * positive("wrap_rad", wrap_rad)
    ratio: FloatArray = np.exp(angle)
    return ratio


def centrifugal_n(mass_g_per_m: ArrayLike, belt_speed_m_s: ArrayLike) -> FloatArray:
    """Return the tension that a running belt spends on staying round its pulleys.

    Parameters
    ----------
    mass_g_per_m : array_like of float, shape (n,)
        Mass of the belt per length, g/m.
    belt_speed_m_s : array_like of float, shape (n,)
        Speed of the belt, m/s.

    Returns
    -------
    ndarray of float, shape (n,)
        ``m v**2``, N.

    Raises
    ------
    InputError
        The mass is not above zero, or the speed negative.
    """
    v = not_negative("belt_speed_m_s", belt_speed_m_s)
    return positive("mass_g_per_m", mass_g_per_m) / 1e3 * v**2


def belt_speed_m_s(*, pitch_diameter_mm: ArrayLike, speed_rpm: ArrayLike) -> FloatArray:
    """Return the belt's speed from a pulley's.

    Parameters
    ----------
    pitch_diameter_mm : array_like of float, shape (n,)
        Diameter at the pitch line, mm.
    speed_rpm : array_like of float, shape (n,)
        Turns per minute.

    Returns
    -------
    ndarray of float, shape (n,)
        ``pi d n / 60``, m/s.

    Raises
    ------
    InputError
        The diameter is not above zero, or the speed negative.
    """
    d = positive("pitch_diameter_mm", pitch_diameter_mm) / 1e3
    return np.pi * d * not_negative("speed_rpm", speed_rpm) / 60.0


def effective_pull_n(*, power_w: ArrayLike, belt_speed_m_s: ArrayLike) -> FloatArray:
    """Return the difference of tensions that carries a power.

    Parameters
    ----------
    power_w : array_like of float, shape (n,)
        Power that the accessory takes, W.
    belt_speed_m_s : array_like of float, shape (n,)
        Speed of the belt, m/s.

    Returns
    -------
    ndarray of float, shape (n,)
        ``P / v``, N.

    Raises
    ------
    InputError
        The power is negative, or the speed not above zero.
    """
    return not_negative("power_w", power_w) / positive("belt_speed_m_s", belt_speed_m_s)


def required_tension_n(
    *,
    pull_n: ArrayLike,
    grip: ArrayLike,
    centrifugal_n: ArrayLike,
    form: Form = "fixed_centre",
) -> FloatArray:
    """Return the least install tension for a drive of one accessory.

    Parameters
    ----------
    pull_n : array_like of float, shape (n,)
        Difference of the two tensions, N.
    grip : array_like of float, shape (n,)
        From `grip_ratio`, above 1.
    centrifugal_n : array_like of float, shape (n,)
        ``m v**2``, N.
    form : {'fixed_centre', 'classic'}
        What the install tension contains; see `Form`.

    Returns
    -------
    ndarray of float, shape (n,)
        ``(pull / 2) (e + 1) / (e - 1)``, plus ``m v**2`` with fixed centres, N [1]_.

    Raises
    ------
    InputError
        The pull or ``m v**2`` is negative, or the grip is 1 or less.

    References
    ----------
    .. [1] Shigley, *Mechanical Engineering Design*, 8th ed., eq. 17-9, is the classic
       form, for which the install tension is ``(F1 + F2) / 2 - Fc``.
    """
    half = not_negative("pull_n", pull_n) / 2.0
    spare = positive("grip - 1", np.asarray(grip, dtype=np.float64) - 1.0)
    kept = _CENTRIFUGAL_SHARE[form] * not_negative("centrifugal_n", centrifugal_n)
    return half * (spare + 2.0) / spare + kept


def span_tensions(
    layout: Layout,
    running: Running,
    *,
    install_n: ArrayLike,
    friction: FloatArray,
    form: Form = "fixed_centre",
) -> SpanTensions:
    """Estimate the tension of every span and the grip each pulley uses.

    Parameters
    ----------
    layout : Layout
        The drive, its pulleys in the direction of running.
    running : Running
        Pulls, speed and mass.
    install_n : array_like of float, shape (...)
        Static tension set on the belt, N.
    friction : ndarray of float, shape (n_pulleys,)
        From `pulley_friction`.
    form : {'fixed_centre', 'classic'}
        What the install tension contains; see `Form`.

    Returns
    -------
    SpanTensions
        ``T_k = T_s + x_k``, x the pulls summed from the slack span after the driver,
        with the length-weighted mean of T held at the install tension.

    Raises
    ------
    InputError
        The install tension, friction or mass is not above zero, or a pull is missing.

    Notes
    -----
    The belt is linear and the centres fixed; the arcs on the pulleys are left out of
    the weighting. Utilisation is ``ln(ratio) / (mu' wrap)`` of the tensions net of
    ``m v**2``.
    """
    above, fc = _above_slack_n(layout, running), running.centrifugal_n
    mean = positive("install_n", install_n) - _CENTRIFUGAL_SHARE[form] * fc
    net = mean[..., None] + above - _mean_n(layout, above)
    grip = positive("friction", friction) * layout.wrap_rad
    before = np.roll(net, 1, axis=-1)
    low, high = np.minimum(before, net), np.maximum(before, net)
    is_taut = low > 0
    ratio = np.divide(high, low, out=np.full_like(low, np.inf), where=is_taut)
    return SpanTensions(
        tension_n=net + fc, centrifugal_n=fc, utilisation=np.log(ratio) / grip
    )


def required_install(
    layout: Layout,
    running: Running,
    *,
    friction: FloatArray,
    form: Form = "fixed_centre",
) -> RequiredInstall:
    """Estimate the install tension at which each pulley just holds.

    Parameters
    ----------
    layout : Layout
        The drive, its pulleys in the direction of running.
    running : Running
        Pulls, speed and mass.
    friction : ndarray of float, shape (n_pulleys,)
        From `pulley_friction`.
    form : {'fixed_centre', 'classic'}
        What the install tension contains; see `Form`.

    Returns
    -------
    RequiredInstall
        From ``T_s >= (x_high - e x_low) / (e - 1) + m v**2`` at each pulley and
        ``T_s + x > m v**2`` in each span.

    Raises
    ------
    InputError
        The friction or mass is not above zero, or a pull is missing.
    """
    above = _above_slack_n(layout, running)
    before = np.roll(above, 1)
    low, high = np.minimum(before, above), np.maximum(before, above)
    spare = np.expm1(positive("friction", friction) * layout.wrap_rad)
    carried = _CENTRIFUGAL_SHARE[form] * running.centrifugal_n
    to_install = _mean_n(layout, above) + carried
    pulley = (high - low) / spare - low + to_install
    slack = float(to_install - above.min())
    return RequiredInstall(
        pulley_n=pulley, slack_n=slack, governing_n=max(slack, float(pulley.max()))
    )


def _above_slack_n(layout: Layout, running: Running) -> FloatArray:
    """Return each span's tension above the span after the driver's, N."""
    pull, n_pulleys = np.array(running.pull_n, dtype=float), len(layout.pulleys)
    if pull.shape != (n_pulleys,):
        raise InputError(
            what=f"{pull.size} pulls are given for {n_pulleys} pulleys.",
            where="the running drive, pull_n",
            fix="give one pull a pulley in belt order, 0 for an idler.",
        )
    pull[running.driver] = 0.0
    from_driver = np.roll(pull, -running.driver).cumsum()
    return np.roll(from_driver, running.driver)


def _mean_n(layout: Layout, tension_n: FloatArray) -> float:
    return float(np.average(tension_n, weights=layout.span_mm))
