"""Better, as expected or worse: marks that chance alone seldom gives."""

import numpy as np
import pytest
from scipy.stats import binomtest, false_discovery_control, poisson

from fleetbelt.errors import InputError
from fleetbelt.models.technician_standing import (
    count_standings,
    discoveries,
    levelled,
    standings,
)

MARKS = ("better", "worse")


def technicians(rng, n, *, short=0.0, hopeful=0.0, spread=(8.0, 2.0)):
    """Counts of settings that held, and what was expected of them, a technician each.

    The chances differ from setting to setting; ``short`` is what a technician's true
    chances lack, ``hopeful`` what the model's log odds have too much.
    """
    n, short = np.asarray(n), np.broadcast_to(short, np.shape(n))
    owner = np.repeat(np.arange(n.size), n)
    p = rng.beta(*spread, owner.size)
    truth = np.clip(p - short[owner], 0, 1)
    said = p / (p + (1 - p) * np.exp(-hopeful))
    held, expected, variance = (
        np.bincount(owner, x, n.size)
        for x in (rng.random(owner.size) < truth, said, said * (1 - said))
    )
    return held, n, expected, variance


def test_of_equal_technicians_fewer_than_one_in_twenty_is_marked():
    """300 fleets of 40, 5 to 800 settings each; any mark at all in 1 fleet of 20."""
    rng = np.random.default_rng(1)
    shares = []
    for _ in range(300):
        found = standings(*technicians(rng, rng.integers(5, 800, 40)))
        shares.append(np.isin(found.standing, MARKS).mean())

    assert np.mean(shares) < 0.05
    assert np.max(shares) <= 0.1
    assert np.mean(np.array(shares) > 0) < 0.05 + 4 * np.sqrt(0.05 * 0.95 / 300)


def test_without_the_control_more_of_equal_technicians_would_be_marked():
    rng = np.random.default_rng(2)
    naive = []
    for _ in range(100):
        found = standings(*technicians(rng, rng.integers(100, 800, 40)))
        naive.append(np.nanmean(found.p_value < 0.05))

    assert np.mean(naive) > 10 * 0.05 / 40


def test_a_true_hold_15_points_short_is_marked_with_200_settings():
    """100 fleets of 40, of whom 4 fall short."""
    rng = np.random.default_rng(3)
    short = np.where(np.arange(40) < 4, 0.15, 0.0)
    found = [
        standings(*technicians(rng, np.full(40, 200), short=short)).standing
        for _ in range(100)
    ]

    assert np.mean([f[:4] == "worse" for f in found]) >= 0.80
    assert np.mean([np.isin(f[4:], MARKS) for f in found]) < 0.05


def test_a_lone_technician_15_points_short_is_marked_too():
    rng = np.random.default_rng(4)
    found = [
        standings(*technicians(rng, [200], short=[0.15])).standing[0]
        for _ in range(200)
    ]

    assert np.mean(np.array(found) == "worse") >= 0.80


def test_a_better_technician_is_called_better():
    found = standings([195, 160], [200, 200], [160, 160], [32, 32])

    assert found.standing.tolist() == ["better", "as_expected"]


def test_nineteen_settings_are_too_few_and_do_not_count():
    found = standings([0, 0], [19, 20], [17.0, 18.0], [1.7, 1.8])
    alone = standings([0], [20], [18.0], [1.8])

    assert found.standing.tolist() == ["too_few", "worse"]
    assert np.isnan(found.p_value[0])
    assert found.p_value[1] == alone.p_value[0]


@pytest.mark.parametrize("p", [0.55, 0.8, 0.97])
def test_with_equal_chances_the_p_value_is_the_binomials(p):
    n = 60
    held = np.arange(n + 1)
    tails = [
        [binomtest(k, n, p, side).pvalue for k in held] for side in ("less", "greater")
    ]

    found = standings(
        held, np.full(n + 1, n), np.full(n + 1, n * p), np.full(n + 1, n * p * (1 - p))
    )

    expected = np.minimum(1.0, 2 * np.minimum(*np.array(tails)))
    assert found.p_value == pytest.approx(expected, rel=1e-7)


def exact_two_sided(p):
    """Distribution of the count by convolution: the slow reference."""
    mass = np.array([1.0])
    for chance in p:
        mass = np.convolve(mass, [1 - chance, chance])
    at_most, at_least = np.cumsum(mass), np.cumsum(mass[::-1])[::-1]
    return np.minimum(1.0, 2 * np.minimum(at_most, at_least))


@pytest.mark.parametrize(
    ("a", "b", "most"), [(20, 2, 1.6), (8, 2, 1.6), (2, 1, 3.0), (1, 1, 4.5)]
)
@pytest.mark.parametrize("n", [20, 60, 300])
def test_with_unequal_chances_the_p_value_is_never_too_small(n, a, b, most):
    """Against the exact one from 1e-4 to 0.2, for chances of Beta(a, b), as measured.

    The wider the chances are spread the more it is too large.
    """
    p = np.random.default_rng(5).beta(a, b, n)
    exact, held = exact_two_sided(p), np.arange(n + 1)
    matters = (exact > 1e-4) & (exact < 0.2)

    found = standings(
        held,
        np.full(n + 1, n),
        np.full(n + 1, p.sum()),
        np.full(n + 1, (p * (1 - p)).sum()),
    ).p_value

    ratio = found[matters] / exact[matters]
    assert ratio.min() >= 1 - 1e-9
    assert ratio.max() < most


def test_discoveries_are_those_of_scipy():
    rng = np.random.default_rng(6)
    for size in (1, 2, 17, 400):
        p = rng.random(size) ** 3

        expected = false_discovery_control(p) <= 0.05

        assert (discoveries(p) == expected).all()


def test_the_step_up_rule_finds_the_four_of_its_authors():
    """Benjamini and Hochberg (1995), p. 295: 15 hypotheses (values from memory)."""
    p = [
        *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
        *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
    ]

    assert discoveries(p).tolist() == [True] * 4 + [False] * 11


def test_a_model_too_hopeful_of_all_marks_equal_technicians_until_levelled():
    """Log odds 0.3 too high: about 5 points; 600 settings each."""
    rng = np.random.default_rng(7)
    raw, level = [], []
    for _ in range(40):
        held, n, *said = technicians(rng, np.full(40, 600), hopeful=0.3)
        raw.append(np.isin(standings(held, n, *said).standing, MARKS).mean())
        fair = levelled(held, n, *said)
        level.append(np.isin(standings(held, n, *fair).standing, MARKS).mean())

    assert np.mean(raw) > 0.5
    assert np.mean(level) < 0.05


def test_levelled_expectations_sum_to_what_held():
    held, n, *said = technicians(np.random.default_rng(8), [300, 40, 25], hopeful=0.5)

    expected, variance = levelled(held, n, *said)

    assert expected.sum() == pytest.approx(held.sum())
    assert (variance > said[1]).all()  # nearer to one half


def test_the_order_of_technicians_is_of_no_matter():
    rng = np.random.default_rng(9)
    counts = technicians(rng, rng.integers(5, 400, 30), short=rng.uniform(0, 0.2, 30))
    order = rng.permutation(30)

    found = standings(*counts)
    other = standings(*(a[order] for a in counts))

    assert (other.standing == found.standing[order]).all()


def test_certainties_and_no_technicians_give_plain_answers():
    certain = standings([30, 29, 0], [30, 30, 30], [30, 30, 0], [0, 0, 0])

    assert certain.standing.tolist() == ["as_expected", "worse", "as_expected"]
    assert standings([], [], [], []).standing.tolist() == []
    assert levelled([0], [0], [0.0], [0.0])[0].tolist() == [0.0]


@pytest.mark.parametrize(
    "counts",
    [
        ([21], [20], [10], [5]),
        ([-1], [20], [10], [5]),
        ([10], [20], [21], [0]),
        ([10], [20], [10], [6]),
        ([10], [20], [np.nan], [5]),
    ],
)
def test_impossible_counts_and_chances_are_refused(counts):
    with pytest.raises(InputError, match="are impossible"):
        standings(*counts)


def test_of_counts_as_expected_fewer_than_one_in_twenty_is_marked():
    rng = np.random.default_rng(21)
    expected = rng.uniform(1, 60, 30)
    marked = [
        np.isin(
            count_standings(rng.poisson(expected), expected).standing, ["more", "fewer"]
        ).mean()
        for _ in range(300)
    ]

    assert np.mean(marked) < 0.05


def test_twice_the_complaints_expected_is_marked_and_few_are_not_judged():
    found = count_standings([60, 30, 30, 4, 9], [30, 30, 30, 4, 30])

    assert found.standing.tolist() == [
        "more", "as_expected", "as_expected", "too_few", "fewer",
    ]  # fmt: skip


def test_the_p_value_of_a_count_is_poissons():
    p = count_standings([22], [12.0]).p_value[0]

    assert p == pytest.approx(2 * poisson.sf(21, 12.0), rel=1e-10)


def test_counts_that_cluster_are_marked_later():
    plain = count_standings([45], [30]).p_value[0]

    assert count_standings([45], [30], variance_ratio=2.0).p_value[0] > plain


def test_a_negative_count_is_refused():
    with pytest.raises(InputError, match="negative or missing"):
        count_standings([-1], [3.0])
