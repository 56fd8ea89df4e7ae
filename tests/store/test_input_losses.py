"""What was lost on the way to a model is counted against all that came in."""

import pytest

from fleetbelt.intake import Outcome
from fleetbelt.store import frames
from fleetbelt.store.database import connect
from tests.conftest import Compute, Table
from tests.fleets import services


@pytest.fixture(scope="module")
def sample_table(sample: Outcome) -> Table:
    """Read a table of the sample fleet."""

    def table(name: str):
        with connect(sample.database, read_only=True) as connection:
            return frames.read(connection, f"from {name}")

    return table


def losses(table: Table) -> dict[tuple[str, str], tuple[int, int]]:
    frame = table("marts.input_losses")
    return {
        (row["input"], row["cause"]): (row["n_lost"], row["n_input"])
        for row in frame.iter_rows(named=True)
    }


def test_readings_in_refused_rows_are_lost_to_verdicts_and_drift(compute: Compute):
    rows = services(
        {"action": "install", "reading_left": 175},
        {"action": "retension", "reading_found": 100, "reading_left": 115},
        {"action": "retension", "reading_found": 100, "reading_left": "x"},
        {"action": "polish"},
    )

    lost = losses(compute(services=rows))

    assert lost["visits", "refused"] == (2, 4)
    assert lost["verdicts", "refused"] == lost["drift", "refused"] == (2, 5)


def test_each_reading_is_lost_to_one_cause_at_most(sample_table: Table):
    lost = losses(sample_table)
    used = sample_table(
        "(select count(*) as n from history.readings "
        "where is_used and tension_n is not null)"
    )
    n_lost = sum(n for (fed, _), (n, _) in lost.items() if fed == "drift")

    assert lost["drift", "refused"][1] == n_lost + used["n"].item()
    assert n_lost > 0


def test_a_belt_of_unknown_age_is_lost_to_belt_life(compute: Compute):
    lost = losses(compute(services=services({"action": "inspect"})))

    assert lost["life", "unknown_age"] == (1, 1)


def test_complaints_of_no_belt_and_after_as_of_are_lost_to_noise(sample_table: Table):
    lost = losses(sample_table)
    used = sample_table("(select count(*) as n from marts.noise_events)")["n"].item()
    n_lost = sum(n for (fed, _), (n, _) in lost.items() if fed == "noise")

    assert lost["noise", "refused"][1] == n_lost + used


def test_an_input_that_is_not_there_has_no_share(compute: Compute):
    frame = compute()("marts.input_losses")

    assert frame.filter(input="noise")["share"].null_count() == 4
    assert (frame["n_lost"] >= 0).all()
