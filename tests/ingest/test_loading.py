"""Once and only once, whole or not at all, accounted for to the row."""

import shutil

import pytest

from fleetbelt.errors import InputError, PlaceError, StoreError
from fleetbelt.ingest import unload
from fleetbelt.intake import take_in
from fleetbelt.settings import Settings
from tests.ingest.folders import (
    DRIVES,
    HEADINGS,
    LATER,
    SERVICES,
    accepted,
    folder,
    one,
    only,
    refusals,
    rows,
    service,
    taken_in,
    with_settings,
)


def test_every_row_of_a_good_folder_is_loaded(database, tmp_path):
    report = taken_in(database, folder(tmp_path / "a"))

    counts = {file.file: (file.rows_read, file.rows_loaded) for file in report.files}
    assert counts == {
        "vehicles.csv": (3, 3),
        "drives.csv": (1, 1),
        "specs.csv": (2, 2),
        "services.csv": (3, 3),
    }
    assert rows(database, "select note from typed.services where line = 3") == [
        ('fine, "tight" side',)
    ]


def test_every_table_exists_though_no_file_fed_it(database, tmp_path):
    taken_in(database, folder(tmp_path / "a"))

    assert rows(database, "select count(*) from typed.pulleys") == [(0,)]
    assert rows(
        database,
        "select data_type from duckdb_columns() where schema_name = 'typed' "
        "and table_name = 'pulleys' order by column_index limit 5",
    ) == [("INTEGER",), ("BIGINT",), ("VARCHAR",), ("BIGINT",), ("VARCHAR",)]


def test_the_same_folder_again_changes_nothing(database, tmp_path):
    place = folder(tmp_path / "a")
    taken_in(database, place)
    before = accepted(database), rows(database, "from raw.files")

    report = taken_in(database, place, now=LATER)

    assert (accepted(database), rows(database, "from raw.files")) == before
    assert report.load_id is None
    assert all(f.is_known and f.rows_duplicate == f.rows_read for f in report.files)


def test_what_did_not_change_is_not_derived_again(database, tmp_path):
    place = folder(tmp_path / "a")
    made = "select table_oid from duckdb_tables() where table_name = 'accounts'"
    taken_in(database, place)
    before = rows(database, made)

    taken_in(database, place, now=LATER)
    after = rows(database, made)
    taken_in(database, with_settings(place, "[intake]\nmax_odometer_mi = 200\n"))

    assert after == before
    assert rows(database, made) != before


def test_what_a_file_was_refused_for_stands_through_later_loads(database, tmp_path):
    place = folder(tmp_path / "a", services=one(date="never"))
    taken_in(database, place)
    only(place, services_b=f"{HEADINGS}\n{service('S2')}{service('S3', action='x')}")

    taken_in(database, place, now=LATER)
    both = refusals(database)
    ((sha256,),) = rows(
        database, "select sha256 from raw.files where file = 'services.csv'"
    )
    unload(database, sha256, Settings())

    of_b = ("services", 3, "unknown_word")
    assert both == [("services", 2, "not_a_date"), of_b]
    assert refusals(database) == [of_b]


def test_other_settings_judge_the_known_rows_again(database, tmp_path):
    place = folder(tmp_path / "a", services=one(odometer_mi=1000))
    taken_in(database, place)

    settings = "[intake]\nmax_odometer_mi = 999\n"
    taken_in(database, with_settings(place, settings), accept_refusals=True)

    assert refusals(database) == [("services", 2, "out_of_range")]


@pytest.mark.parametrize(
    ("settings", "left"),
    [
        ("decimal_comma = true", [3, 4]),
        ("words.action.pruefen = 'inspect'", [2, 4]),
        ("skip_totals = ['S2']", [2, 3, 4]),
        ("empty_words = ['-']", [2, 3]),
    ],
)
def test_a_known_file_is_read_anew_where_the_settings_now_say_so(
    database, tmp_path, settings, left
):
    text = (
        f"{HEADINGS},reading_left\n"
        'S1,2021-01-01,V3,5000,inspect,North shop,T1,"110,5"\n'
        "S2,2021-01-02,V3,5001,pruefen,North shop,T1,110\n"
        "S3,2021-01-03,V3,5002,inspect,North shop,T1,-\n"
    )
    place = folder(tmp_path / "a", services=text)
    taken_in(database, place, accept_refusals=True)
    before = rows(database, "select file_id, file, load_id from raw.files order by all")

    with_settings(place, f"[[file]]\nname = 'services*'\n{settings}\n")
    report = taken_in(database, place, accept_refusals=True, now=LATER)
    again = taken_in(database, place, accept_refusals=True, now=LATER)

    assert (report.read_anew, again.read_anew) == (("services.csv",), ())
    assert [line for _, line, _ in refusals(database)] == left
    assert (
        rows(database, "select file_id, file, load_id from raw.files order by all")
        == before
    )


def test_a_file_read_anew_stays_older_than_what_corrected_it(database, tmp_path):
    place = folder(tmp_path / "a", services=one(odometer_mi=1000))
    taken_in(database, place)
    only(place, services_b=one(odometer_mi=2000))
    taken_in(database, place)

    settings = "[[file]]\nname = 'services.csv'\ndecimal_comma = true\n"
    taken_in(database, with_settings(place, settings), now=LATER)

    assert rows(database, "select odometer_mi from typed.services") == [(2000.0,)]
    assert rows(database, "select raw from typed.replaced") == [
        ("S1,2021-06-01,V3,1000,inspect,North shop,T1",)
    ]


def test_a_known_file_under_another_name_loads_nothing(database, tmp_path):
    place = folder(tmp_path / "a", services_copy=SERVICES)

    report = taken_in(database, place)

    copy = next(f for f in report.files if f.file == "services_copy.csv")
    assert (copy.rows_loaded, copy.rows_duplicate) == (0, 3)
    assert len(rows(database, "from raw.files")) == 4


def test_unload_takes_a_file_back_and_what_it_had_replaced_returns(database, tmp_path):
    taken_in(database, folder(tmp_path / "a", services=one(odometer_mi=5000)))
    before = accepted(database)
    place = folder(tmp_path / "b", services=one(odometer_mi=6000))
    taken_in(database, place, now=LATER)
    ((sha256,),) = rows(database, "select sha256 from raw.files where file_id = 5")

    unload(database, sha256, Settings())

    assert accepted(database) == before
    assert rows(database, "from typed.replaced") == []


def test_unload_of_an_unknown_file_is_refused(database, tmp_path):
    taken_in(database, folder(tmp_path / "a"))

    with pytest.raises(InputError, match="No file with the hash abc"):
        unload(database, "abc", Settings())


def test_missing_required_files_are_all_named(database, tmp_path):
    place = folder(tmp_path / "a")
    (place / "vehicles.csv").unlink()
    (place / "specs.csv").unlink()

    with pytest.raises(InputError, match=r"vehicles\.csv, specs\.csv"):
        taken_in(database, place)


def test_new_files_alone_may_be_added_to_a_database(database, tmp_path):
    taken_in(database, folder(tmp_path / "a"))
    new = tmp_path / "b"
    new.mkdir()
    (new / "services_june.csv").write_text(f"{HEADINGS}\n{service('S8')}")

    report = taken_in(database, new, now=LATER)

    assert [(f.file, f.rows_loaded) for f in report.files] == [("services_june.csv", 1)]


def test_a_refused_load_changes_nothing(database, tmp_path):
    taken_in(database, folder(tmp_path / "a"))
    before = accepted(database), rows(database, "from raw.files")
    bad = folder(tmp_path / "b", services_b="no,table\n1,2\n", odometers="what\n")

    with pytest.raises(InputError, match=r"2 files .*odometers\.csv.*services_b\.csv"):
        taken_in(database, bad, now=LATER)

    assert (accepted(database), rows(database, "from raw.files")) == before


def test_a_file_mostly_refused_is_refused_whole_with_its_commonest_reason(
    database, tmp_path
):
    lines = [
        service(f"F{n}", odometer_mi=f'"{n},5"' if n % 4 == 0 else n) for n in range(60)
    ]
    place = folder(tmp_path / "a", services_b=f"{HEADINGS}\n{''.join(lines)}")

    with pytest.raises(
        InputError, match=r"15 of 60 rows .* not_a_number in odometer"
    ) as caught:
        taken_in(database, place)

    assert "decimal_comma" in caught.value.fix
    report = taken_in(database, place, accept_refusals=True)
    assert sum(file.rows_quarantined for file in report.files) == 15


def test_a_row_of_blanks_that_nobody_sees_is_no_row(database, tmp_path):
    text = SERVICES + "\ufeff,,,,,,,,,\n" + "\u200b,\u2060,,,,,,,,\n"

    report = taken_in(database, folder(tmp_path / "a", services=text))

    assert {file.rows_read for file in report.files if "serv" in file.file} == {3}
    assert refusals(database) == []


def test_a_small_file_may_be_refused_row_by_row(database, tmp_path):
    lines = [service(f"F{n}", odometer_mi="x") for n in range(49)]
    place = folder(tmp_path / "a", services_b=f"{HEADINGS}\n{''.join(lines)}")

    report = taken_in(database, place)

    assert sum(file.rows_quarantined for file in report.files) == 49


def test_a_row_without_a_vehicle_waits_in_quarantine_until_it_is_known(
    database, tmp_path
):
    place = folder(tmp_path / "a", services_b=f"{HEADINGS}\n{service(vehicle_id='V9')}")
    taken_in(database, place)
    assert refusals(database) == [("services", 2, "unknown_vehicle")]
    more = "vehicle_id,model,drive_id,depot\nV9,Corrie 9,D1,North yard\n"

    taken_in(database, folder(tmp_path / "b", vehicles_b=more), now=LATER)

    assert refusals(database) == []


def test_files_of_no_table_are_named_and_ignored(database, tmp_path):
    place = folder(tmp_path / "a", notes="x\n", servicesheet="y\n")
    (place / "truth").mkdir()
    (place / ".hidden").write_text("z")
    with_settings(place, "")

    report = taken_in(database, place)

    assert report.ignored_files == ("notes.csv", "servicesheet.csv", "truth/")


def test_unknown_columns_are_named_and_their_cells_kept(database, tmp_path):
    vehicles = "vehicle_id,model,drive_id,depot,colour,Colour!\nV1,M,D1,N,red,\n"
    place = folder(tmp_path / "a", vehicles=vehicles)

    report = taken_in(database, place, accept_refusals=True)

    file = next(f for f in report.files if f.table_name == "vehicles")
    assert file.unknown_columns == ("colour", "Colour!")
    assert rows(database, "select extra from raw.vehicles") == [
        ('{"colour":"red","Colour!":null}',)
    ]


def test_rows_that_a_later_export_of_a_name_leaves_out_are_told(database, tmp_path):
    place = folder(tmp_path / "a")
    taken_in(database, place)
    shorter = "".join(SERVICES.splitlines(keepends=True)[:3]).replace("110", "111")
    only(place, services=shorter, services_b=one(date="x"))

    report = taken_in(database, place, accept_refusals=True)
    again = taken_in(database, place)

    left_out = {file.file: file.rows_left_out for file in report.files}
    assert left_out.pop("services.csv") == 1
    assert set(left_out.values()) == {0}
    assert {file.rows_left_out for file in again.files} == {0}
    assert rows(database, "select count(*) from typed.services") == [(3,)]


def test_headings_that_are_kept_aside_are_told_once(database, tmp_path):
    place = folder(
        tmp_path / "a", drives=f"gage,Färbe,{DRIVES}".replace("D1", "a,b,D1")
    )
    told: list[str] = []

    for _ in range(2):
        take_in(database, place, Settings(), accept_refusals=False, say=told.append)

    aside = [line for line in told if line.startswith("aside")]
    assert len(aside) == 1
    assert "drives.csv: 'gage', 'Färbe' not used" in aside[0]


def test_the_text_of_a_refused_row_is_in_the_order_of_its_file(database, tmp_path):
    vehicles = 'depot,colour,vehicle_id,drive_id,model\n"N, ""x""",red,,D1,M\n'
    place = folder(tmp_path / "a", vehicles_b=vehicles)

    taken_in(database, place)

    assert rows(database, "select column_name, reason, raw from typed.refusals") == [
        ("vehicle_id", "missing_value", '"N, ""x""",red,,D1,M')
    ]


def test_a_database_that_lost_rows_is_refused(database, tmp_path):
    taken_in(database, folder(tmp_path / "a"))
    database.execute("delete from raw.services where line = 3")

    with pytest.raises(StoreError, match="holds 2 rows of a file of 3"):
        taken_in(database, folder(tmp_path / "b", services_b=one()), now=LATER)


def test_a_missing_folder_is_an_input_error(database, tmp_path):
    with pytest.raises(InputError, match="no such data folder"):
        taken_in(database, tmp_path / "nowhere")


def test_a_folder_in_the_place_of_a_file_is_a_place_error(database, tmp_path):
    place = folder(tmp_path / "a")
    (place / "services.csv").unlink()
    (place / "services.csv").mkdir()

    with pytest.raises(PlaceError, match="not a file"):
        taken_in(database, place)


def test_file_names_never_become_sql_or_patterns(database, tmp_path):
    place = folder(tmp_path / "a")
    odd = "services_'; drop table raw.files; --[1]*.csv"
    shutil.move(place / "services.csv", place / odd)

    report = taken_in(database, place)

    assert odd in [file.file for file in report.files]
    assert rows(database, "select count(*) from typed.services") == [(3,)]


def test_headings_never_become_sql(database, tmp_path):
    heading = "x'); drop table raw.files; --"
    vehicles = f'vehicle_id,model,drive_id,depot,"{heading}"\nV1,M,D1,N,red\n'
    place = folder(tmp_path / "a", vehicles=vehicles)

    report = taken_in(database, place, accept_refusals=True)

    file = next(f for f in report.files if f.table_name == "vehicles")
    assert file.unknown_columns == (heading,)
