"""JCGM 106:2012 and ISO 14253-1: conformity when a measurement is not exact.

The documents' values from memory; the used-belt range 115 +- 20 lbf is that of a public
service manual.
"""

import numpy as np
import pytest
from scipy.special import ndtr

from fleetbelt.models.conformity import conformity, verdict

LOW, HIGH = 95.0, 135.0  # lbf


def test_one_sided_example_conforms_with_a_chance_of_0_92():
    """Upper limit -5.40, measured -5.47 with u = 0.05."""
    found = conformity(-5.47, 0.05, -np.inf, -5.40)

    assert found.p_in == pytest.approx(0.91924, abs=0.5e-5)
    assert found.p_under == 0


@pytest.mark.parametrize(
    ("z", "chance"),
    [(0.8416, 0.80), (1.2816, 0.90), (1.6449, 0.95), (2.3263, 0.99), (3.0902, 0.999)],
)
def test_distance_from_one_limit_gives_the_chance(z, chance):
    found = conformity(10.0 + 0.5 * z, 0.5, 10.0, np.inf)

    assert found.p_in == pytest.approx(chance, abs=1e-4)


@pytest.mark.parametrize(
    ("reading", "p_in"), [(98, 0.84134), (92, 0.15866), (100, 0.95221), (115, 1.0)]
)
def test_a_used_belt_of_115_lbf_read_with_3_lbf(reading, p_in):
    found = conformity(reading, 3.0, LOW, HIGH)

    assert found.p_in == pytest.approx(p_in, abs=0.5e-5)


@pytest.mark.parametrize(
    ("k", "risk", "limits"),
    [(1.645, 0.05, (99.935, 130.065)), (2.0, 0.02275, (101.0, 129.0))],
)
def test_guard_bands_leave_their_risk_at_the_acceptance_limit(k, risk, limits):
    found = conformity(np.array(limits), 3.0, LOW, HIGH)

    assert limits == pytest.approx((LOW + 3 * k, HIGH - 3 * k))
    assert (found.p_under + found.p_over) == pytest.approx([risk, risk], abs=0.5e-4)


@pytest.mark.parametrize(
    ("reading", "word"),
    [
        (101.001, "in"),
        (128.999, "in"),
        (100.9, "doubtful_low"),
        (90, "doubtful_low"),
        (88.999, "under"),
        (88, "under"),
        (129.1, "doubtful_high"),
        (140.9, "doubtful_high"),
        (141.001, "over"),
    ],
)
def test_outside_the_limits_is_not_yet_proved_not_to_conform(reading, word):
    """ISO 14253-1 with U = 2 u = 6 lbf: proof needs a whole U beyond the limit."""
    found = conformity(reading, 3.0, LOW, HIGH)

    words = verdict(
        found.p_under,
        found.p_over,
        firm=ndtr(2),
        doubtful=ndtr(-2),
        is_firm_allowed=np.array(True),
    )

    assert words.item() == word
