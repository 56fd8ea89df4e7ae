"""Any spoilt folder is loaded with every row accounted for, or refused whole."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetbelt.simulation import simulate
from tests.intake.mutations import MUTATIONS, spoilt, verdict


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    place = tmp_path_factory.mktemp("fleet")
    simulate(place, n_vehicles=3, years=1, seed=2)
    for name in ("complaints", "gauges", "pulleys", "repairs"):
        (place / f"{name}.csv").unlink()
    return place


@settings(max_examples=200, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    mutations=st.lists(st.sampled_from(MUTATIONS), max_size=4),
    accept_refusals=st.booleans(),
)
def test_no_row_and_no_text_of_a_spoilt_folder_is_lost(
    fleet, seed, mutations, accept_refusals
):
    """The script tests/intake/mutate.py does 2,000 on a larger fleet."""
    case = spoilt(fleet, seed, mutations)

    with tempfile.TemporaryDirectory() as place:
        outcome = verdict(case, Path(place), accept_refusals=accept_refusals)

    assert outcome in {"loaded", "refused"}
