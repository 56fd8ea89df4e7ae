"""Newcombe, R. G. (1998), *Statistics in Medicine* 17, 857-872, table I.

Values from memory; four decimals are printed.
"""

import pytest

from fleetbelt.models.proportions import clopper_pearson, wilson

TABLE = [  # successes, n, Wilson (method 3), Clopper-Pearson (method 5)
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("successes", "n", "score", "exact"), TABLE)
def test_both_intervals_match_the_printed_table(successes, n, score, exact):
    assert wilson(successes, n) == pytest.approx(score, abs=0.5e-4)
    assert clopper_pearson(successes, n) == pytest.approx(exact, abs=0.5e-4)
