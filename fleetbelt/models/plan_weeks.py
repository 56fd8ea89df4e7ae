"""Visits into weeks of limited minutes, at the least cost.

A visit belongs to a class with others that take as long and cost much the same, week by
week; a class is one whole number a week. What the classes lose is in the gap: it is
held against a bound that knows every visit's own costs.
"""

from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, linprog, milp
from scipy.sparse import csr_array, eye_array, kron

from fleetbelt.errors import FitError, InputError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray, sum_by

GAP: Final = 1e-3  # of the cost: closer to the optimum nobody asks
_FEW, _MANY = 150, 1000  # each visit by itself: always, and where classes fall short
_FIRST_TURNS, _TURNS = 3, 6  # classes are drawn at the prices of the turn before
_NEAR: Final = 4  # weeks, the cheapest, that a class may go to
_REGRET_STEP, _REGRET_STEPS = 0.7, 12  # classes by regret: log width and number
_NODES: Final = 2000  # of branch and bound; beyond, the gap reached is printed


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """In which week each visit is made.

    Attributes
    ----------
    week : ndarray of int, shape (n_visits,)
        0 to n_weeks - 1; n_weeks where a visit found no room.
    cost : float
        Of the whole schedule.
    bound : float
        No schedule costs less.
    """

    week: IntArray
    cost: float
    bound: float

    @property
    def gap(self) -> float:
        """Share of the cost that a better schedule could save at most."""
        saving = max(0.0, self.cost - self.bound)
        return saving / self.cost if self.cost > 0 else 0.0

    def or_better(self, other: Self) -> Self:
        """Return the cheaper of two schedules, with the higher of their bounds."""
        cheaper = other if other.cost < self.cost else self
        return replace(cheaper, bound=max(self.bound, other.bound))


def schedule_visits(
    minutes: FloatArray,
    cost: FloatArray,
    capacity_minutes: FloatArray,
    *,
    gap: float = GAP,
) -> Schedule:
    """Give every visit a week, or none, at the least cost within capacity.

    Parameters
    ----------
    minutes : ndarray of float, shape (n_visits,)
        Length of each visit, above 0.
    cost : ndarray of float, shape (n_visits, n_weeks + 1)
        Cost of each visit in each week, and in the last column of making it in none.
    capacity_minutes : ndarray of float, shape (n_weeks,)
        Minutes of each week.
    gap : float, default 0.001
        Share of the cost at which the search stops.

    Returns
    -------
    Schedule
        With the gap that was reached: it may be wider where the search was cut short.

    Raises
    ------
    InputError
        If shapes disagree, a cost is not finite, or minutes are not positive.

    Notes
    -----
    Minimises Σ cost[v, w] x[v, w] over whole x ≥ 0 with one week a visit and Σ minutes
    x ≤ capacity. With a price λ ≥ 0 on each week's minutes, Σ_v min_w (cost + λ
    minutes) - λ · capacity is a bound [1]_. Visits are drawn into classes by their two
    cheapest weeks at the prices and by what the second would cost more, for that is all
    that decides between weeks; the linear programme of the classes gives new prices,
    and its solution is rounded by a small integer programme. Capacities are first cut
    to whole multiples of the visits' common measure.

    References
    ----------
    .. [1] Geoffrion, A. M. (1974), *Mathematical Programming Study* 2, 82-114.
    """
    _check(minutes, cost, capacity_minutes)
    cheapest = cost.argmin(axis=1)
    room = _whole_visits(capacity_minutes, minutes)
    if np.all(_used(cheapest, minutes, room.size) <= room):
        least = float(cost.min(axis=1).sum())
        return Schedule(week=cheapest, cost=least, bound=least)
    if minutes.size <= _FEW:
        return _one_by_one(minutes, cost, room, gap)
    found = _by_prices(minutes, cost, room, gap)
    if found.gap <= gap or minutes.size > _MANY:
        return found
    return found.or_better(_one_by_one(minutes, cost, room, gap))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Classes:
    """Visits that are planned alike; shapes (n_classes,), cost (…, n_weeks + 1)."""

    minutes: FloatArray
    cost: FloatArray
    count: FloatArray
    of: IntArray  # class of each visit, shape (n_visits,)

    @classmethod
    def drawn(cls, minutes: FloatArray, cost: FloatArray, key: FloatArray) -> Self:
        """Put visits with equal rows of the key, and equal minutes, into one class."""
        rows = np.column_stack([minutes, key])
        unique, of, count = np.unique(
            rows, axis=0, return_inverse=True, return_counts=True
        )
        of = of.reshape(-1)
        sums = [sum_by(of, week, count.size) for week in cost.T]
        mean = np.stack(sums, axis=1) / count[:, None]
        return cls(minutes=unique[:, 0], cost=mean, count=count.astype(float), of=of)

    def relaxed(self, room: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Solve for parts of visits: numbers by class and week, and prices of weeks."""
        each, weeks = self._constraints()
        found = linprog(
            self.cost.ravel(),
            A_ub=weeks,
            b_ub=room,
            A_eq=each,
            b_eq=self.count,
            method="highs-ds",
        )
        prices = np.maximum(-found.ineqlin.marginals, 0.0)
        return self._numbers(found), np.append(prices, 0.0)

    def whole(
        self, room: FloatArray, gap: float, least: FloatArray, most: FloatArray
    ) -> tuple[FloatArray, float]:
        """Solve for whole visits between limits: numbers, and a bound of the cost."""
        each, weeks = self._constraints()
        found = milp(
            self.cost.ravel(),
            constraints=[
                LinearConstraint(each, self.count, self.count),
                LinearConstraint(weeks, -np.inf, room),
            ],
            integrality=np.ones(self.cost.size),
            bounds=Bounds(least.ravel(), most.ravel()),
            options={"mip_rel_gap": gap, "node_limit": _NODES},
        )
        return np.rint(self._numbers(found)), float(found.mip_dual_bound)

    def rounded(
        self, parts: FloatArray, prices: FloatArray, room: FloatArray, gap: float
    ) -> FloatArray:
        """Solve for whole visits near a relaxed solution: in the cheapest few weeks."""
        priced = self.cost + prices * self.minutes[:, None]
        dearest = np.partition(priced, _NEAR, axis=1)[:, _NEAR, None]
        is_near = priced < dearest
        is_near[:, -1] = True
        least = np.maximum(np.floor(parts + 1e-6) - 1, 0.0)
        most = np.where(is_near, self.count[:, None], least)
        return self.whole(room, gap, least, most)[0]

    def weeks(self, numbers: FloatArray, priced: FloatArray) -> IntArray:
        """Hand a class's weeks to its visits: the cheapest to those that need it most.

        ``priced`` is each visit's cost with the prices of the weeks, and need is what
        its second cheapest week costs more.
        """
        two = np.partition(priced, 1, axis=1)[:, :2]
        visits = np.lexsort((two[:, 0] - two[:, 1], self.of))
        sums = [sum_by(self.of, week, self.count.size) for week in priced.T]
        order = np.argsort(
            np.stack(sums, axis=1) / self.count[:, None], axis=1, kind="stable"
        )
        in_order = np.take_along_axis(numbers, order, axis=1).astype(np.int64)
        week = np.empty(self.of.size, dtype=np.int64)
        week[visits] = np.repeat(order.ravel(), in_order.ravel())
        return week

    def _constraints(self) -> tuple[csr_array, csr_array]:
        n_classes, n_columns = self.cost.shape
        week = eye_array(n_columns).tocsr()[:-1]
        each = kron(eye_array(n_classes), np.ones((1, n_columns)), format="csr")
        return each, kron(self.minutes[None, :], week, format="csr")

    def _numbers(self, found: OptimizeResult) -> FloatArray:
        if found.x is None:
            raise FitError(
                what=f"The weekly plan was not found: {found.message}",
                where="fleetbelt.models.plan_weeks",
                fix="report this with the depot's jobs; its plan is missing.",
            )
        return np.asarray(found.x).reshape(self.cost.shape)


def _one_by_one(
    minutes: FloatArray, cost: FloatArray, room: FloatArray, gap: float
) -> Schedule:
    """Plan few visits, of which only those with the very same costs share a class."""
    classes = _Classes.drawn(minutes, cost, cost)
    most = np.broadcast_to(classes.count[:, None], classes.cost.shape)
    numbers, bound = classes.whole(room, gap, np.zeros(most.shape), most)
    week = classes.weeks(numbers, cost)
    return Schedule(week=week, cost=_cost(cost, week), bound=bound)


def _by_prices(
    minutes: FloatArray, cost: FloatArray, room: FloatArray, gap: float
) -> Schedule:
    """Plan many visits by classes; stop where the gap is reached."""
    prices = np.zeros(room.size + 1)
    best = Schedule(week=np.empty(0, dtype=np.int64), cost=np.inf, bound=-np.inf)
    for turn in range(_TURNS):
        priced = cost + prices * minutes[:, None]
        regret = max(_cost(cost, priced.argmin(axis=1)), 1e-6) * gap / minutes.size
        classes = _Classes.drawn(minutes, cost, _key(priced, regret))
        parts, prices = classes.relaxed(room)
        if turn + 1 < _FIRST_TURNS:
            continue
        priced = cost + prices * minutes[:, None]
        bound = float(priced.min(axis=1).sum() - prices[:-1] @ room)
        week = classes.weeks(classes.rounded(parts, prices, room, gap / 2), priced)
        best = best.or_better(
            Schedule(week=week, cost=_cost(cost, week), bound=bound)
        )
        if best.gap <= gap:
            break
    return best


def _key(priced: FloatArray, least: float) -> FloatArray:
    """Two cheapest weeks at the prices, and the step in which the regret lies."""
    first, second = np.argsort(priced, axis=1, kind="stable")[:, :2].T
    row = np.arange(priced.shape[0])
    regret = priced[row, second] - priced[row, first]
    steps = np.ceil(np.log(np.maximum(regret / least, 1.0)) / _REGRET_STEP)
    is_settled = steps >= _REGRET_STEPS
    return np.column_stack(
        [first, np.where(is_settled, -1, second), np.minimum(steps, _REGRET_STEPS)]
    ).astype(float)


def _cost(cost: FloatArray, week: IntArray) -> float:
    return float(cost[np.arange(week.size), week].sum())


def _used(week: IntArray, minutes: FloatArray, n_weeks: int) -> FloatArray:
    """Minutes of each week that a schedule takes."""
    return sum_by(week, minutes, n_weeks + 1)[:-1]


def _whole_visits(capacity: FloatArray, minutes: FloatArray) -> FloatArray:
    """Cut capacities to multiples of the visits' common measure, whole seconds."""
    seconds = np.rint(60 * minutes)
    if not np.allclose(seconds, 60 * minutes, rtol=0, atol=1e-6):
        return capacity
    unit = float(np.gcd.reduce(seconds.astype(np.int64))) / 60
    return np.floor(capacity / unit + 1e-9) * unit if unit else capacity


def _check(minutes: FloatArray, cost: FloatArray, capacity: FloatArray) -> None:
    if cost.shape != (minutes.size, capacity.size + 1):
        raise _refusal(fault="costs of another shape than visits by weeks and one")
    if not np.isfinite(cost).all():
        raise _refusal(fault="a cost that is not a number")
    if not _positive(minutes).all() or not (capacity >= 0).all():
        raise _refusal(fault="minutes that are not positive")


def _positive(x: FloatArray) -> BoolArray:
    return np.isfinite(x) & (x > 0)


def _refusal(*, fault: str) -> InputError:
    return InputError(
        what=f"The weekly plan was given {fault}.",
        where="fleetbelt.models.plan_weeks.schedule_visits",
        fix="pass one row a visit, a column a week and one for none.",
    )
