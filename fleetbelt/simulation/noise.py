"""Noise complaints and accessory repairs: Poisson per mile, dosed by tension."""

import numpy as np

from fleetbelt.simulation.scenario import (
    BEARING_DOSE_EXCESS,
    BEARING_PER_1000_MI,
    NOISE_DOSE_EXCESS,
    NOISE_DOSE_SLACK,
    NOISE_PER_1000_MI,
    OTHER_FAULTS_PER_1000_MI,
)
from fleetbelt.simulation.tables import FloatArray, IntArray, Rng, Table

# The sixth is a bearing repair, the seventh any other repair.
RATE_PER_1000_MI = np.array(
    [*NOISE_PER_1000_MI, BEARING_PER_1000_MI, OTHER_FAULTS_PER_1000_MI]
)
DOSE_SLACK = np.array([*NOISE_DOSE_SLACK, 0.0, 0.0])
DOSE_EXCESS = np.array([*NOISE_DOSE_EXCESS, BEARING_DOSE_EXCESS, 0.0])
N_NOISES, BEARING, OTHER_FAULT = len(NOISE_PER_1000_MI), 5, 6
LARGEST_DOSE = 0.5  # log units out of range beyond which nothing gets louder


def event_rates(slack: FloatArray, excess: FloatArray) -> FloatArray:
    """Rates per 1,000 mi, shape (n_belts, 7): base x exp(dose x log units out)."""
    out_low = np.minimum(slack, LARGEST_DOSE)[:, None] * DOSE_SLACK
    out_high = np.minimum(excess, LARGEST_DOSE)[:, None] * DOSE_EXCESS
    return np.asarray(RATE_PER_1000_MI * np.exp(out_low + out_high))


def draw_frailties(rng: Rng, variance: float, n: int) -> FloatArray:
    """Draw gamma factors of mean 1; all 1 at variance 0."""
    if variance <= 0.0:
        return np.ones(n)
    return rng.gamma(1.0 / variance, variance, n)


class Noises:
    """Draws the events of each stretch of road and keeps what was expected."""

    def __init__(self, n_places: int, rng: Rng) -> None:
        self.rng = rng
        self.expected = np.zeros((n_places, RATE_PER_1000_MI.size))
        self.events = Table()

    def drive(
        self,
        place: IntArray,
        rates: FloatArray,
        frailty: FloatArray,
        from_mi: FloatArray,
        miles: FloatArray,
    ) -> None:
        """Drive each place's miles; the frailty acts on noises, not on repairs."""
        expected = rates * miles[:, None] / 1e3
        self.expected[place] += expected
        expected[:, :N_NOISES] *= frailty[:, None]
        counts = self.rng.poisson(expected)
        row, kind = np.nonzero(counts)
        row, kind = (np.repeat(a, counts[row, kind]) for a in (row, kind))
        at = self.rng.random(row.size)
        self.events.add(place=place[row], kind=kind, mi=from_mi[row] + at * miles[row])

    def reset(self, place: IntArray) -> None:
        """Start a new belt's expectation."""
        self.expected[place] = 0.0
