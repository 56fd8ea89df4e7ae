"""AIAG, *Measurement Systems Analysis*: 10 parts, 3 appraisers, 3 trials.

The manual's readings are not public domain, so only its answers stand here, as public
recomputations quote them; the readings are ours, made to have its sums of squares. It
adds an interaction that shows little to the error, which our study does not.
"""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.special import fdtrc

from fleetbelt.models.gauge_study import variance_components

PRINTED = {
    "part": 88.361934,
    "person": 3.167262,
    "cross": 0.358982,
    "repeat": 2.758933,
}


@dataclass(frozen=True, kw_only=True)
class Squares:
    """Mean squares of a study of n parts, k people and r trials, as the components say.

    ``E(MS)`` of the balanced two-way cross; the variances are solved from these.
    """

    part: float
    person: float
    cross: float
    repeat: float

    @classmethod
    def of(cls, y):
        n, k, r = y.shape
        part, person, _ = np.indices(y.shape)
        found = variance_components(y.ravel(), part=part.ravel(), person=person.ravel())
        repeat = found.repeatability
        cross = repeat + r * found.interaction
        return cls(
            part=cross + k * r * found.part,
            person=cross + n * r * found.person,
            cross=cross,
            repeat=repeat,
        )


@pytest.fixture(scope="module")
def study():
    """Readings with the printed sums of squares, each from one contrast."""
    sizes = (10, 3, 3)
    part, person, trial = (np.arange(size) - (size - 1) / 2 for size in sizes)
    effects = {
        "part": part[:, None, None] + np.zeros(sizes),
        "person": person[:, None] + np.zeros(sizes),
        "cross": (part[:, None] * person)[:, :, None] + np.zeros(sizes),
        "repeat": trial + np.zeros(sizes),
    }
    return sum(
        effect * math.sqrt(PRINTED[name] / (effect**2).sum())
        for name, effect in effects.items()
    )


def test_the_squares_are_those_of_the_printed_table(study):
    found = Squares.of(study)

    assert 9 * found.part == pytest.approx(PRINTED["part"], abs=1e-9)
    assert 2 * found.person == pytest.approx(PRINTED["person"], abs=1e-9)
    assert 18 * found.cross == pytest.approx(PRINTED["cross"], abs=1e-9)
    assert 60 * found.repeat == pytest.approx(PRINTED["repeat"], abs=1e-9)
    f = found.cross / found.repeat
    assert f == pytest.approx(0.4337, abs=0.5e-4)
    assert fdtrc(18, 60, f) == pytest.approx(0.9741, abs=0.5e-4)


def test_with_the_interaction_in_the_error_the_deviations_are_the_printed_ones(study):
    found = Squares.of(study)
    error = (18 * found.cross + 60 * found.repeat) / 78
    ev, av = math.sqrt(error), math.sqrt((found.person - error) / 30)
    pv, grr = math.sqrt((found.part - error) / 9), math.hypot(ev, av)

    assert error == pytest.approx(0.0399733, abs=0.5e-7)
    assert (ev, av, pv) == pytest.approx((0.199933, 0.226838, 1.042327), abs=5e-6)
    assert grr == pytest.approx(0.302373, abs=5e-6)
    parts = np.array([ev, av, grr, pv]) / math.hypot(grr, pv)
    assert 100 * parts == pytest.approx([18.4, 20.9, 27.9, 96.0], abs=0.05)
    assert 100 * parts**2 == pytest.approx([3.4, 4.4, 7.8, 92.2], abs=0.05)
    assert math.floor(1.41 * pv / grr) == 4


def test_a_repeat_alone_varies_more(study):
    """0.214435 without the interaction in the error."""
    assert math.sqrt(Squares.of(study).repeat) == pytest.approx(0.214435, abs=0.5e-6)


def test_a_free_made_up_study_has_exact_answers():
    """Derived, not printed: parts -6, 0, 6; people -1, 1; trials -.5, .5; all + 100."""
    part, person, trial = np.ix_([-6.0, 0, 6], [-1.0, 1], [-0.5, 0.5])

    found = Squares.of(100 + part + person + trial)

    sums = (2 * found.part, found.person, 2 * found.cross, 6 * found.repeat)
    assert sums == pytest.approx((288, 12, 0, 3), abs=1e-9)
    error = (2 * found.cross + 6 * found.repeat) / 8
    av2, pv2 = (found.person - error) / 6, (found.part - error) / 4
    assert (error, av2, pv2) == pytest.approx((0.375, 1.9375, 35.90625))
    grr = math.sqrt(error + av2)
    assert 100 * grr / math.hypot(grr, math.sqrt(pv2)) == pytest.approx(
        24.598, abs=5e-4
    )
    assert 1.41 * math.sqrt(pv2) / grr == pytest.approx(5.556, abs=0.5e-3)
