"""Pinheiro and Bates (2000), *Mixed-Effects Models in S and S-PLUS*, p. 8: rails.

Travel times of an ultrasonic wave down six rails, three each. Data and answers from
memory; the data reproduce the printed mean.
"""

import math

import numpy as np
import pytest

from fleetbelt.models.gauge_study import variance_components

RAILS = "54 55 53  26 37 32  78 91 85  92 100 96  49 51 50  80 85 83"


def test_rails_differ_and_repeats_agree_as_printed():
    time = np.array(RAILS.split(), dtype=float)

    found = variance_components(time, part=np.repeat(np.arange(6), 3))

    assert time.mean() == 66.5
    assert math.sqrt(found.part) == pytest.approx(24.805, abs=0.5e-3)
    assert math.sqrt(found.repeatability) == pytest.approx(4.0208, abs=0.5e-4)
    assert math.sqrt(found.part / 6 + found.repeatability / 18) == pytest.approx(
        10.17, abs=0.005
    )
