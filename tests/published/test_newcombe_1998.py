"""Newcombe, R. G. (1998), *Statistics in Medicine* 17, 857-872, table I.

Values from memory; four decimals are printed.
"""

import pytest

from fleetbelt.models.proportions import wilson

TABLE = [  # successes, n, Wilson's score interval (method 3)
    (81, 263, (0.2553, 0.3662)),
    (15, 148, (0.0624, 0.1605)),
    (0, 20, (0.0000, 0.1611)),
    (1, 29, (0.0061, 0.1718)),
]


@pytest.mark.parametrize(("successes", "n", "score"), TABLE)
def test_the_score_interval_matches_the_printed_table(successes, n, score):
    assert wilson(successes, n) == pytest.approx(score, abs=0.5e-4)
