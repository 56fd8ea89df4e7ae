"""Of rows with the same key: which one counts, and what becomes of the others."""

from datetime import timedelta

from fleetbelt.resources import bundled
from tests.ingest.folders import (
    HEADINGS,
    LATER,
    NOW,
    SERVICES,
    folder,
    one,
    only,
    refusals,
    rows,
    service,
    taken_in,
)


def test_the_same_row_in_another_file_is_a_duplicate(database, tmp_path):
    twice = SERVICES + service("S4").replace("\n", ",,,\n")
    place = folder(tmp_path / "a", services_b=twice)

    report = taken_in(database, place)

    second = next(f for f in report.files if f.file == "services_b.csv")
    assert (second.rows_loaded, second.rows_duplicate) == (1, 3)


def test_a_later_load_replaces_a_row_of_the_same_key(database, tmp_path):
    taken_in(database, folder(tmp_path / "a", services=one(odometer_mi=5000)))

    taken_in(
        database, only(tmp_path / "b", services_b=one(odometer_mi=6000)), now=LATER
    )

    assert rows(database, "select odometer_mi from typed.services") == [(6000.0,)]
    assert rows(
        database,
        "select key, files.file, line, by_files.file, raw from typed.replaced "
        "join raw.files as files using (file_id) "
        "join raw.files as by_files on by_files.file_id = by_file_id",
    ) == [
        (
            "S1",
            "services.csv",
            2,
            "services_b.csv",
            "S1,2021-06-01,V3,5000,inspect,North shop,T1",
        )
    ]


def test_a_row_set_back_to_its_first_content_is_a_correction_again(database, tmp_path):
    for day, odometer in enumerate([5000, 6000, 5000]):
        place = folder(
            tmp_path / str(day), services=one(odometer_mi=odometer) + "\n" * day
        )
        taken_in(database, place, now=NOW + timedelta(days=day))

    assert rows(database, "select odometer_mi from typed.services") == [(5000.0,)]
    assert len(rows(database, "from typed.replaced")) == 2


def test_what_became_of_two_files_of_one_name_is_told_apart(database, tmp_path):
    for odometer_mi in ("x", "y", 1000, 2000, 3000):
        place = folder(tmp_path / "a", services=one(odometer_mi=odometer_mi))
        taken_in(database, place, accept_refusals=True)

    for table, n in (("quarantine", 2), ("superseded", 2)):
        query = (bundled("sql") / "results" / f"{table}.sql").read_text("utf-8")
        found = rows(database, f"select file, line, sha256 from ({query})")
        assert {(file, line) for file, line, _ in found} == {("services.csv", 2)}
        assert len(set(found)) == n


def test_two_contents_of_one_key_in_one_load_are_both_refused(database, tmp_path):
    place = folder(
        tmp_path / "a",
        services_b=f"{HEADINGS}\n{service('S7')}{service('S7', odometer_mi=5001)}",
    )

    taken_in(database, place)

    assert refusals(database) == [
        ("services", 2, "conflicting_key"),
        ("services", 3, "conflicting_key"),
    ]


def test_a_conflict_leaves_the_version_of_an_earlier_load_standing(database, tmp_path):
    taken_in(database, folder(tmp_path / "a", services=one(odometer_mi=5000)))
    both = f"{HEADINGS}\n{service('S1', odometer_mi=1)}{service('S1', odometer_mi=2)}"
    second = folder(tmp_path / "b", services=both)

    taken_in(database, second, now=LATER, accept_refusals=True)

    assert rows(database, "select odometer_mi from typed.services") == [(5000.0,)]


def test_another_way_of_writing_the_same_values_is_the_same_row(database, tmp_path):
    taken_in(database, folder(tmp_path / "a"))
    rewritten = (
        SERVICES.replace("2021-01-05", '"2021/1/5"')
        .replace("install", " INSTALL ")
        .replace("175.5", "175.50")
    )

    report = taken_in(database, folder(tmp_path / "b", services=rewritten), now=LATER)

    services = next(f for f in report.files if f.table_name == "services")
    assert (services.rows_loaded, services.rows_duplicate) == (0, 3)


def test_kilometres_and_miles_of_one_reading_are_one_key(database, tmp_path):
    odometers = "vehicle_id,date,odometer_{}\nV1,2021-05-01,{}\n"
    place = folder(
        tmp_path / "a",
        odometers_km=odometers.format("km", "1609.344"),
        odometers_mi=odometers.format("mi", "1000"),
    )

    taken_in(database, place)

    assert rows(database, "select count(*) from typed.odometers") == [(1,)]
    assert rows(database, "select count(*) from typed.duplicates") == [(1,)]


def test_repeats_of_a_calibration_without_a_number_are_kept_apart(database, tmp_path):
    line = "G1,2021-01-05,7,100,{},lbf\n"
    calibrations = (
        "gauge_id,date,span_in,reference,reading,unit\n"
        + line.format(98)
        + line.format(98)
        + line.format(99)
    )

    taken_in(database, folder(tmp_path / "a", calibrations=calibrations))

    assert rows(database, "select count(*) from typed.calibrations") == [(3,)]
