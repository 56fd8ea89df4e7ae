"""How one gauge changed from calibration to calibration: not, evenly, or in steps."""

from dataclasses import dataclass
from math import log
from typing import Final, Self

import numpy as np

from fleetbelt.models.arrays import FloatArray, IntArray

CONSTANT: Final = "constant"
LINEAR: Final = "linear"
STEPS: Final = "steps"


@dataclass(frozen=True, slots=True, kw_only=True)
class DateEffects:
    """What the dates of a gauge's calibrations differ by, its spans allowed for.

    Attributes
    ----------
    day : ndarray of float, shape (n_dates,)
        Days since the first, ascending.
    n : ndarray of float, shape (n_dates,)
        Readings on each.
    effect : ndarray of float, shape (n_dates,)
        Log ratio against the mean reading.
    unit_covariance : ndarray of float, shape (n_dates, n_dates)
        Its covariance for readings of variance 1.
    is_comparable : bool
        Whether shared spans link all dates.
    ss, df : float
        Squares and degrees of freedom that spans and dates leave over.
    """

    day: FloatArray
    n: FloatArray
    effect: FloatArray
    unit_covariance: FloatArray
    is_comparable: bool
    ss: float
    df: int

    @classmethod
    def of(cls, day: FloatArray, span: IntArray, y: FloatArray) -> Self:
        """Fit ``y = span + date`` by least squares.

        With N the counts of date by span, the dates' normal equations within spans are
        ``(diag(n_d) - N diag(1 / n_s) N') c = r``.
        """
        days, date = np.unique(day, return_inverse=True)
        n_spans = span.max() + 1
        counts = np.zeros((days.size, n_spans))
        np.add.at(counts, (date, span), 1.0)
        n, n_span = counts.sum(axis=1), counts.sum(axis=0)
        within = y - (np.bincount(span, y, n_spans) / n_span)[span]
        normal = np.diag(n) - (counts / n_span) @ counts.T
        inverse = np.linalg.pinv(normal, rcond=1e-9, hermitian=True)
        rank = int(np.linalg.matrix_rank(inverse, hermitian=True))
        pull = np.bincount(date, within)
        centre = np.eye(days.size) - n / n.sum()
        return cls(
            day=days - days[0],
            n=n,
            effect=centre @ inverse @ pull,
            unit_covariance=centre @ inverse @ centre.T,
            is_comparable=rank == days.size - 1,
            ss=max(float(within @ within - pull @ inverse @ pull), 0.0),
            df=int(y.size - n_spans - rank),
        )

    def covariance(self, variance: float, day_sd: float) -> FloatArray:
        """Covariance of the effects; ``day_sd`` is common to a date's readings."""
        centre = np.eye(self.n.size) - self.n / self.n.sum()
        return np.asarray(
            variance * self.unit_covariance + day_sd**2 * centre @ centre.T
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """A way a gauge may have changed, fitted to its dates.

    Attributes
    ----------
    name : {'constant', 'linear', 'steps'}
        Which.
    cost : float
        -2 log-likelihood + log(readings) for each number fitted; a step is two, its
        size and its place.
    shift : ndarray of float, shape (n_dates,)
        Fitted log ratio against the mean reading.
    u : ndarray of float, shape (n_dates,)
        Its standard uncertainty.
    u_change : float
        That of the last shift less the first.
    """

    name: str
    cost: float
    shift: FloatArray
    u: FloatArray
    u_change: float


def fitted_forms(dates: DateEffects, covariance: FloatArray) -> dict[str, Form]:
    """Return the best form of each name.

    Parameters
    ----------
    dates : DateEffects
        Of one gauge, comparable, two dates or more.
    covariance : ndarray of float, shape (n_dates, n_dates)
        Of its effects.

    Returns
    -------
    dict of str to Form
        ``constant``, ``linear`` and ``steps``. Steps are added one by one, each where
        it lowers the cost most, for as long as one does (and one at least).

    Notes
    -----
    Differences to the first date, ``z = K c``, are normal with covariance K C K'; a
    form says ``z = F theta``, by generalised least squares. The penalty is Schwarz's
    [1]_; between two dates a line and a step fit alike, and the line, which has no
    place to choose, is taken.

    References
    ----------
    .. [1] Schwarz, G. (1978), *Annals of Statistics* 6, 461-464.
    """
    steps_of = np.tril(
        np.ones((dates.day.size - 1,) * 2)
    )  # column j: from date j + 1 on
    line = dates.day[1:, None] / dates.day[-1]

    def form(name: str, design: FloatArray, n_numbers: int) -> Form:
        return _fitted(name, design, n_numbers, dates, covariance)

    chosen: list[int] = []
    steps: Form | None = None
    while left := [j for j in range(steps_of.shape[1]) if j not in chosen]:
        tried = {
            j: form(STEPS, steps_of[:, [*chosen, j]], 2 * len(chosen) + 2) for j in left
        }
        best = min(tried, key=lambda j: tried[j].cost)
        if steps and tried[best].cost >= steps.cost:
            break
        steps, chosen = tried[best], [*chosen, best]
    found = [form(CONSTANT, line[:, :0], 0), form(LINEAR, line, 1), steps]
    return {form.name: form for form in found if form}


def _fitted(
    name: str,
    design: FloatArray,
    n_numbers: int,
    dates: DateEffects,
    covariance: FloatArray,
) -> Form:
    contrast = np.eye(dates.day.size)[1:] - np.eye(dates.day.size)[0]
    weight = np.linalg.inv(contrast @ covariance @ contrast.T)
    z = contrast @ dates.effect
    inverse = np.linalg.inv(design.T @ weight @ design)
    theta = inverse @ design.T @ weight @ z
    rest = z - design @ theta
    centred = np.vstack([np.zeros(design.shape[1]), design])
    centred = centred - dates.n / dates.n.sum() @ centred
    return Form(
        name=name,
        cost=float(rest @ weight @ rest) + n_numbers * log(dates.n.sum()),
        shift=centred @ theta,
        u=np.sqrt(((centred @ inverse) * centred).sum(axis=1)),
        u_change=float(np.sqrt(design[-1] @ inverse @ design[-1])),
    )
