"""Visits into weeks of limited minutes, at the least cost.

Each week's minutes get a price at which just so many visits want that week as it can
take. Visits that take as long and waver between the same two weeks with the same regret
form a class; an integer programme says how many of each class go to which week. What
the classes lose is in the gap: the bound knows every visit's own costs.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, eye_array, kron

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray, sum_by
from fleetbelt.models.plan_prices import week_prices

GAP: Final = 1e-3  # of the cost: closer to the optimum nobody asks
_FEW: Final = 40  # so many visits are planned one by one
_PROVABLE: Final = 20_000  # so many other choices can be searched for a better plan …
_AWKWARD: Final = 3_000  # … and so many where lengths have no handy common measure
_EASY_UNITS: Final = 8  # longest visit in common measures that are handy
_LOOSE: Final = (8, 60)  # of two weeks, visits tried to be moved between them
_NEAR, _CHOICES = 4, 400  # cheapest weeks a class may go to, and of all classes
_REGRET_STEP, _REGRET_STEPS = 0.7, 25  # classes by regret: log width and number
_CLOSE: Final = 2.5  # gaps: of a plan so near the bound hardly one is better by one
_NEARLY: Final = 0.99  # of the gap, by which a better schedule has to be better
_INFEASIBLE: Final = 2  # status of the solver
_NODES: Final = 20  # of branch and bound; beyond, the gap reached is printed


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
    minutes) - λ · capacity is a bound [1]_, and a choice that costs more at the prices
    than the visit's cheapest, by more than a known schedule exceeds the bound, is in no
    better schedule. Whether there is one, better by nearly the gap, is what the integer
    programme is asked at last: to show that there is none takes a fraction of the time
    of finding the best. Capacities are first cut to whole multiples of the visits'
    common measure, and a week shorter than a visit is none for it: in a small depot
    that is most of what the bound would miss.

    References
    ----------
    .. [1] Geoffrion, A. M. (1974), *Mathematical Programming Study* 2, 82-114.
    """
    _check(minutes, cost, capacity_minutes)
    room, longest = _whole_visits(capacity_minutes, minutes)
    shortest = minutes.min() if minutes.size else np.inf
    has_room = np.append(room >= shortest, True)
    room = room[has_room[:-1]]
    cost = _possible(minutes, cost[:, has_room], room)
    found = _scheduled(minutes, cost, room, longest, gap)
    return replace(found, week=np.flatnonzero(has_room)[found.week])


def _possible(minutes: FloatArray, cost: FloatArray, room: FloatArray) -> FloatArray:
    """Let a week that is too short for a visit cost without end."""
    if minutes.max(initial=0.0) <= room.min(initial=np.inf):
        return cost
    cost = cost.copy()
    cost[:, :-1][minutes[:, None] > room] = np.inf
    return cost


def _scheduled(
    minutes: FloatArray,
    cost: FloatArray,
    room: FloatArray,
    longest: float,
    gap: float,
) -> Schedule:
    """Plan visits into weeks each of which has room for one of them at least.

    ``longest`` is the longest visit in the common measure of all.
    """
    cheapest = cost.argmin(axis=1)
    if np.all(_used(cheapest, minutes, room.size) <= room):
        least = float(cost.min(axis=1).sum())
        return Schedule(week=cheapest, cost=least, bound=least)
    if minutes.size <= _FEW:
        return _one_by_one(minutes, cost, room, gap)
    regret = _regret(cost)
    scale = float(regret[np.isfinite(regret)].mean()) + 1e-9
    prices = week_prices(minutes, cost, room, scale=scale)
    priced = cost + prices * minutes[:, None]
    bound = float(priced.min(axis=1).sum() - prices[:-1] @ room)
    provable = _PROVABLE if longest <= _EASY_UNITS else _AWKWARD
    for found in _planned(minutes, cost, priced, room, gap, bound):
        if found.gap <= gap:
            return found
        few = provable if found.gap <= _CLOSE * gap else _AWKWARD
        if _others(_in_better(priced, found)) <= few:
            break
    is_open = _in_better(priced, found)
    if _others(is_open) > provable:
        return found
    return _one_by_one(minutes, cost, room, gap, is_open=is_open, known=found)


def _in_better(priced: FloatArray, known: Schedule) -> BoolArray:
    """Tell which weeks of which visits may be in a schedule better than a known one."""
    excess = priced - priced.min(axis=1, keepdims=True)
    saving = (known.cost - known.bound) + 1e-9 * (1.0 + abs(known.cost))
    return np.asarray(excess <= saving)


def _others(is_open: BoolArray) -> int:
    """Count the choices beyond one a visit."""
    return int(is_open.sum()) - len(is_open)


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
        return cls(
            minutes=unique[:, 0],
            cost=_mean_by(of, cost, count.astype(float)),
            count=count.astype(float),
            of=of,
        )

    def numbers(
        self, room: FloatArray, gap: float, is_open: BoolArray, most: float = np.inf
    ) -> tuple[FloatArray, float]:
        """Return visits by class and week, and a bound of the cost.

        ``is_open``, shape (n_classes, n_weeks + 1), says which weeks a class may take,
        and ``most`` what all may cost: where nothing costs so little, that is the bound
        and all is left over.
        """
        column = np.flatnonzero(is_open)
        each, weeks = self._constraints()
        cost = self.cost.ravel()[column]
        found = milp(
            cost,
            constraints=[
                LinearConstraint(each[:, column], self.count, self.count),
                LinearConstraint(weeks[:, column], -np.inf, room),
                LinearConstraint(cost, -np.inf, most),
            ],
            integrality=np.ones(column.size),
            bounds=Bounds(0.0, np.inf),
            options={"mip_rel_gap": gap, "node_limit": _NODES, "presolve": False},
        )
        numbers = np.zeros(self.cost.size)
        if found.x is None:  # there is none, or none in so many nodes
            numbers.reshape(self.cost.shape)[:, -1] = self.count
            bound = most if found.status == _INFEASIBLE else -np.inf
            return numbers.reshape(self.cost.shape), bound
        numbers[column] = np.rint(found.x)
        return numbers.reshape(self.cost.shape), float(found.mip_dual_bound)

    def weeks(self, numbers: FloatArray, priced: FloatArray) -> IntArray:
        """Hand a class's weeks to its visits: the cheapest to those that need it most.

        ``priced`` is each visit's cost with the prices of the weeks, and need is what
        its second cheapest week costs more.
        """
        visits = np.lexsort((-_regret(priced), self.of))
        order = _mean_by(self.of, priced, self.count).argsort(axis=1, kind="stable")
        in_order = np.take_along_axis(numbers, order, axis=1).astype(np.int64)
        week = np.empty(self.of.size, dtype=np.int64)
        week[visits] = np.repeat(order.ravel(), in_order.ravel())
        return week

    def _constraints(self) -> tuple[csr_array, csr_array]:
        n_classes, n_columns = self.cost.shape
        week = eye_array(n_columns).tocsr()[:-1]
        each = kron(eye_array(n_classes), np.ones((1, n_columns)), format="csr")
        return each, kron(self.minutes[None, :], week, format="csr")


def _one_by_one(
    minutes: FloatArray,
    cost: FloatArray,
    room: FloatArray,
    gap: float,
    is_open: BoolArray | None = None,
    known: Schedule | None = None,
) -> Schedule:
    """Plan visits of which only those with the very same costs share a class.

    ``is_open`` says which weeks a visit may take, if a schedule better than ``known``
    is to be found.
    """
    classes = _Classes.drawn(minutes, cost, cost)
    may = np.isfinite(classes.cost)
    if is_open is not None:
        may[classes.of] = is_open
    most = np.inf if known is None else (1.0 - _NEARLY * gap) * known.cost
    numbers, bound = classes.numbers(room, gap, may, most)
    week = classes.weeks(numbers, cost)
    found = Schedule(week=week, cost=_cost(cost, week), bound=bound)
    if known is None:
        return found
    cheaper = found if found.cost < known.cost else known
    return replace(cheaper, bound=max(known.bound, min(bound, most)))


def _planned(
    minutes: FloatArray,
    cost: FloatArray,
    priced: FloatArray,
    room: FloatArray,
    gap: float,
    bound: float,
) -> Iterator[Schedule]:
    """Plan by prices: each visit in its cheapest week, but for those that waver most.

    Where those cannot make room, or not cheaply enough for who asks, more may be moved,
    at last all, as long as that saves something. One plan comes at least.
    """
    first, second, regret = _wavering(priced)
    between = first * cost.shape[1] + second
    none = np.full(minutes.size, room.size)
    found = Schedule(week=none, cost=np.inf, bound=bound)
    for most in (*_LOOSE, minutes.size):
        may_move = _least_of(between, regret, most)
        fixed = np.where(may_move, room.size, first)
        left = room - _used(fixed, minutes, room.size)
        if np.any(left < 0):
            continue
        week = first.copy()
        week[may_move] = _by_classes(
            minutes[may_move], cost[may_move], priced[may_move], left, gap
        )
        plan = Schedule(week=week, cost=_cost(cost, week), bound=bound)
        saved = found.cost - plan.cost
        found = min(found, plan, key=lambda one: one.cost)
        yield found
        if saved < gap / 10 * found.cost:
            return


def _wavering(priced: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the cheapest and the second cheapest week, and what it costs more."""
    row = np.arange(priced.shape[0])
    first = priced.argmin(axis=1)
    least = priced[row, first]
    priced = priced.copy()
    priced[row, first] = np.inf
    second = priced.argmin(axis=1)
    return first, second, priced[row, second] - least


def _least_of(group: IntArray, value: FloatArray, n: int) -> BoolArray:
    """Tell which values are among the n least of their group."""
    order = np.lexsort((value, group))
    is_first = np.diff(group[order], prepend=-1) != 0
    starts = np.flatnonzero(is_first)
    place = np.arange(group.size) - starts[np.cumsum(is_first) - 1]
    found = np.empty(group.size, dtype=bool)
    found[order] = place < n
    return found


def _by_classes(
    minutes: FloatArray,
    cost: FloatArray,
    priced: FloatArray,
    room: FloatArray,
    gap: float,
) -> IntArray:
    """Plan visits by classes: the two weeks they waver between, and the regret."""
    first, second, regret = _wavering(priced)
    least = max(_cost(cost, first), 1e-6) * gap / minutes.size
    steps = np.ceil(np.log(np.maximum(regret / least, 1.0)) / _REGRET_STEP)
    steps = np.minimum(steps, _REGRET_STEPS)
    classes = _Classes.drawn(minutes, cost, np.column_stack([first, second, steps]))
    near = _mean_by(classes.of, priced, classes.count)
    last = min(max(_NEAR, _CHOICES // near.shape[0]), room.size)
    is_open = near <= np.partition(near, last, axis=1)[:, last, None]
    is_open[:, -1] = True
    is_open &= np.isfinite(near)
    numbers, _ = classes.numbers(room, gap / 2, is_open)
    return classes.weeks(numbers, priced)


def _regret(cost: FloatArray) -> FloatArray:
    """Return what the second cheapest week costs more than the cheapest."""
    two = np.partition(cost, 1, axis=1)
    return np.asarray(two[:, 1] - two[:, 0])


def _mean_by(group: IntArray, value: FloatArray, count: FloatArray) -> FloatArray:
    """Mean of each column by group."""
    sums = [sum_by(group, column, count.size) for column in value.T]
    return np.stack(sums, axis=1) / count[:, None]


def _cost(cost: FloatArray, week: IntArray) -> float:
    return float(cost[np.arange(week.size), week].sum())


def _used(week: IntArray, minutes: FloatArray, n_weeks: int) -> FloatArray:
    """Minutes of each week that a schedule takes."""
    return sum_by(week, minutes, n_weeks + 1)[:-1]


def _whole_visits(
    capacity: FloatArray, minutes: FloatArray
) -> tuple[FloatArray, float]:
    """Cut capacities to multiples of the visits' common measure, whole seconds.

    Also returns the longest visit in that measure.
    """
    seconds = np.rint(60 * minutes)
    unit = max(float(np.gcd.reduce(seconds.astype(np.int64))), 1.0) / 60
    if not np.allclose(seconds, 60 * minutes, rtol=0, atol=1e-6):
        return capacity, np.inf
    return np.floor(capacity / unit + 1e-9) * unit, float(minutes.max()) / unit


def _check(minutes: FloatArray, cost: FloatArray, capacity: FloatArray) -> None:
    if cost.shape != (minutes.size, capacity.size + 1):
        raise _refusal(fault="costs of another shape than visits by weeks and one")
    if not np.isfinite(cost).all():
        raise _refusal(fault="a cost that is not a number")
    if not np.all(np.isfinite(minutes) & (minutes > 0)) or not np.all(capacity >= 0):
        raise _refusal(fault="minutes that are not positive")


def _refusal(*, fault: str) -> InputError:
    return InputError(
        what=f"The weekly plan was given {fault}.",
        where="fleetbelt.models.plan_weeks.schedule_visits",
        fix="pass one row a visit, a column a week and one for none.",
    )
