"""Aitkin, M. (1978), *JRSS A* 141, 195-223: days absent from school, 146 children.

Negative binomial fits of Venables and Ripley, *MASS* (`quine`), chapter 7: values from
memory; more digits recomputed with R. There θ stands for 1/alpha.
"""

from itertools import product

import numpy as np
import pytest

from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.count_regression import fit_counts

DAYS = """
AMF0SL 2 11 14 | AMF0AL 5 5 13 20 22 | AMF1SL 6 6 15 | AMF1AL 7 14 |
AMF2SL 6 32 53 57 | AMF2AL 14 16 16 17 40 43 46 | AMF3AL 8 23 23 28 34 36 38 |
AFF0SL 3 | AFF0AL 5 11 24 45 |
AFF1SL 5 6 6 9 13 23 25 32 53 54 | AFF1AL 5 5 11 17 19 | AFF2SL 8 13 14 20 47 48 60 81 |
AFF2AL 2 | AFF3AL 0 2 3 5 10 14 21 36 40 | NMF0SL 6 17 67 | NMF0AL 0 0 2 7 11 12 |
NMF1SL 0 0 5 5 5 11 17 | NMF1AL 3 4 | NMF2SL 22 30 36 | NMF2AL 8 0 1 5 7 16 27 |
NMF3AL 0 30 10 14 27 41 69 | NFF0SL 25 | NFF0AL 10 11 20 33 |
NFF1SL 5 7 0 1 5 5 5 5 7 11 15 | NFF1AL 5 14 6 6 7 28 | NFF2SL 0 5 14 2 2 3 8 10 12 |
NFF2AL 1 | NFF3AL 1 9 22 3 3 5 15 18 22 37
"""
GROUPS = [group.split() for group in DAYS.split("|")]  # group, sex, form, learner; days
KEYS = [key for key, *_ in GROUPS]
EVENTS = [float(day) for _, *days in GROUPS for day in days]
CELL = np.repeat(np.arange(len(GROUPS)), [len(days) for _, *days in GROUPS])
COUNTS = Counts.of(EVENTS, np.ones(len(EVENTS)), cell=CELL)


def _column(*texts: str) -> np.ndarray:
    """1 for the cells whose key has every text in its place."""
    place = {"N": 0, "M": 1, "F": 1, "F1": 2, "F2": 2, "F3": 2, "SL": 4}
    return np.array(
        [all(key.startswith(text, place[text]) for text in texts) for key in KEYS],
        dtype=float,
    )


def _fit(terms: list[tuple[str, ...]]):
    design = np.column_stack([np.ones(len(KEYS)), *(_column(*term) for term in terms)])
    return fit_counts(COUNTS, design, ["all", *(":".join(term) for term in terms)])


def test_the_main_effects_model():
    fit = _fit([("N",), ("M",), ("F1",), ("F2",), ("F3",), ("SL",)])

    assert fit.family == "negative_binomial"
    assert 1 / fit.alpha.value == pytest.approx(1.275, abs=0.5e-3)
    assert 1 / fit.alpha.value == pytest.approx(1.2748926, abs=1e-6)
    expected = [2.894580, -0.569372, 0.082320, -0.448428, 0.088080, 0.356901, 0.292109]
    assert [c.value for c in fit.coefficients] == pytest.approx(expected, abs=2e-6)


def test_the_nested_model():
    """``Days ~ Sex/(Age + Eth*Lrn)``."""
    within = [("F1",), ("F2",), ("F3",), ("N",), ("SL",), ("N", "SL")]
    fit = _fit([("M",), *((sex, *term) for sex, term in product("FM", within))])

    theta = 1 / fit.alpha.value
    error = theta * np.log(fit.alpha.hi / fit.alpha.lo) / 2 / 1.959964
    assert theta == pytest.approx(1.597991, abs=1e-6)
    assert error == pytest.approx(0.213, abs=0.5e-3)
    assert 2 * fit.log_likelihood == pytest.approx(-1063.025, abs=0.5e-3)
    assert (fit.deviance, fit.df) == (pytest.approx(167.56, abs=0.005), 132)


def test_the_counts_are_far_from_poisson():
    fit = _fit([("M",)])

    assert fit.clustering.p_value < 1e-100
