"""Nelson, W. (1988), *Journal of Quality Technology* 20, 24: valve-seat replacements.

Forty-one diesel engines, days in service (`survival::valveSeat` in R). At day 653 an
engine whose observation ends that day is at risk (1.5427) or is not (1.5744).
"""

import numpy as np
import pytest

from fleetbelt.models.recurrent import mean_cumulative

ENDS = """
761 759 667 667 665 667 663 653 653 651 650 648 644 642 641 649 631 596 614 582 589 593
589 606 594 613 595 389 601 601 611 608 587 603 585 587 578 578 586 585 582
"""
REPLACED = """
2:98 3:326 3:653 3:653 5:84 6:87 7:646 8:92 10:258 10:328 10:377 10:621 11:61 11:539
12:254 12:276 12:298 12:640 13:76 13:538 14:635 15:349 15:404 15:561 18:120 18:479
19:323 19:449 20:139 20:139 22:573 23:165 23:408 23:604 24:249 25:344 25:497 26:265
26:586 27:166 27:206 27:348 29:410 29:581 33:367 34:202 34:563 34:570
"""


def test_an_engine_is_at_risk_through_its_closing_day():
    end = np.array(ENDS.split(), dtype=float)
    pairs = np.array([pair.split(":") for pair in REPLACED.split()], dtype=float)

    curve = mean_cumulative(end, pairs[:, 0].astype(int), pairs[:, 1])

    at_653 = curve.miles == 653
    assert (curve.n, curve.events) == (41, 48)
    assert curve.at_risk[at_653] == 9
    assert curve.mean[at_653] == pytest.approx(1.5427, abs=0.5e-4)
