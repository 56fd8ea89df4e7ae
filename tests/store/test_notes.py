"""What is doubtful about a belt's history is kept and noted."""

import pytest

from tests.conftest import Table, computed
from tests.fleets import VEHICLE, services, write_fleet

INSTALL = {"action": "install", "reading_left": 175}
NOTED = {
    "no_removal_reason": [("services", "S2")],
    "reading_not_used": [("services", "S4")],
    "seen_after_remove": [("services", "S6")],
    "complaint_without_belt": [("complaints", "C1")],
    "no_repeats": [("gauges", "G-01")],
    "technician_two_shops": [("services", "S10"), ("services", "S9")],
}


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Table:
    """Four vehicles: each is the only one of its mistake."""
    place = tmp_path_factory.mktemp("notes")
    later = {"odometer_mi": 20_000, "date": "2020-06-01"}
    again = {"odometer_mi": 21_000, "date": "2020-07-01"}
    both = {"odometer_mi": 22_000, "date": "2020-08-01", "technician_id": "T-09"}
    seen = services(
        INSTALL,
        INSTALL | later,  # a belt came off, no reason
        {**INSTALL, "vehicle_id": "V2"},
        {**INSTALL, **later, "vehicle_id": "V2", "reading_found": 90,
         "removal_reason": "worn"},
        {**later, "vehicle_id": "V3", "action": "remove", "removal_reason": "accident"},
        {**again, "vehicle_id": "V3", "action": "inspect"},
        {**INSTALL, "vehicle_id": "V4"},
        {**later, "vehicle_id": "V4", "action": "remove", "removal_reason": "worn"},
        both,
        {**both, "vehicle_id": "V2", "shop": "South shop"},
    )  # fmt: skip
    folder = write_fleet(
        place / "records",
        vehicles=[{**VEHICLE, "vehicle_id": f"V{n}"} for n in range(1, 5)],
        services=seen,
        complaints=[
            {
                "complaint_id": f"C{n}",
                "date": date,
                "vehicle_id": "V4",
                "odometer_mi": odometer_mi,
                "noise": "squeal",
            }
            for n, (date, odometer_mi) in enumerate(
                [("2020-06-15", 20_500), ("2020-05-01", 15_000)], start=1
            )
        ],
        calibrations=[
            {
                "gauge_id": "G-01",
                "date": "2019-12-01",
                "span_in": span_in,
                "reference": 185,
                "reading": 180,
                "unit": "lbf",
            }
            for span_in in (7, 12)
        ],
    )
    return computed(folder, place / "fleet.duckdb")


@pytest.mark.parametrize("code", NOTED)
def test_the_doubtful_rows_are_noted_and_no_others(table: Table, code: str):
    notes = table("results.data_notes").filter(code=code)

    assert sorted(notes.select("table_name", "key").rows()) == NOTED[code]
    assert (notes["detail"].str.len_chars() > 10).all()


def test_every_note_stands_in_no_refusal(table: Table):
    assert table("results.quarantine").is_empty()
