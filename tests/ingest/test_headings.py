"""The heading row, the separator, the mapping and the order of dates: never guessed."""

import pytest

from fleetbelt.errors import InputError
from tests.ingest.folders import (
    VEHICLES,
    folder,
    refusals,
    rows,
    taken_in,
    with_settings,
)

ODOMETERS = "vehicle_id,date,odometer_mi\nV1,{},1000\n"


def understood(database, file: str, *keys: str):
    return rows(
        database,
        f"select {', '.join(f'understood ->> {key!r}' for key in keys)} "
        f"from raw.files where file = '{file}'",
    )[0]


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_the_separator_is_the_one_that_shows_the_headings(
    database, tmp_path, separator
):
    vehicles = VEHICLES.replace(",", separator)

    taken_in(database, folder(tmp_path / "a", vehicles=vehicles))

    assert understood(database, "vehicles.csv", "separator") == (separator,)
    assert rows(database, "select count(*) from typed.vehicles") == [(3,)]


def test_title_lines_stand_above_the_headings(database, tmp_path):
    vehicles = f'Fleet list, all depots\n\n"as of\nMay"\n{VEHICLES}'

    taken_in(database, folder(tmp_path / "a", vehicles=vehicles))

    assert understood(database, "vehicles.csv", "heading_line") == ("5",)
    assert rows(database, "select min(line) from typed.vehicles") == [(6,)]


@pytest.mark.parametrize(
    "headings",
    [
        "\ufeffVehicle ID, MODEL ,Drive-id,depot",
        '"vehicle_id","model","drive_id","depot"',
        "depot.,vehicle id,\u200bmodel,DRIVE_ID",
        '"vehicle\nid",model,drive_id,depot',
        "vehicle_id,model,drive_id,depot,,",
    ],
)
def test_headings_have_no_case_blanks_or_invisible_signs(database, tmp_path, headings):
    taken_in(database, folder(tmp_path / "a", vehicles_b=f"{headings}\nA,A,A,A\n"))

    assert rows(
        database,
        "select vehicle_id, model, drive_id, depot from typed.vehicles "
        "where depot = 'A'",
    ) == [("A", "A", "A", "A")]


def test_missing_headings_are_named_with_those_there_are(database, tmp_path):
    vehicles = "vehicle_id,model,site\nV1,M,N\n"

    with pytest.raises(InputError, match="missing: drive_id, depot") as caught:
        taken_in(database, folder(tmp_path / "a", vehicles=vehicles))

    assert "vehicle_id, model, site" in caught.value.where


def test_a_doubled_heading_is_refused(database, tmp_path):
    vehicles = "vehicle_id,model,drive_id,depot,Depot\nV1,M,D1,N,S\n"

    with pytest.raises(InputError, match="more than once: depot"):
        taken_in(database, folder(tmp_path / "a", vehicles=vehicles))


@pytest.mark.parametrize(("n_unknown", "is_table"), [(496, True), (497, False)])
def test_a_row_of_over_500_cells_is_no_heading_row(
    database, tmp_path, n_unknown, is_table
):
    more = ",".join(f"x{n}" for n in range(n_unknown))
    text = f"vehicle_id,model,drive_id,depot,{more}\nV9,M,D1,N{',7' * n_unknown}\n"
    place = folder(tmp_path / "a", vehicles_b=text)

    if is_table:
        taken_in(database, place)
        assert rows(
            database,
            "select len(json_keys(extra)) from raw.vehicles where vehicle_id = 'V9'",
        ) == [(496,)]
    else:
        with pytest.raises(InputError, match="501 cells, over 500"):
            taken_in(database, place)


def test_an_empty_optional_file_has_no_rows(database, tmp_path):
    report = taken_in(database, folder(tmp_path / "a", complaints="", repairs="\n"))

    assert [f.rows_read for f in report.files if f.table_name == "complaints"] == [0]


def test_an_empty_required_file_is_refused(database, tmp_path):
    with pytest.raises(InputError, match="file is empty"):
        taken_in(database, folder(tmp_path / "a", vehicles=""))


def test_a_file_of_headings_alone_has_no_rows(database, tmp_path):
    headings = "vehicle_id,date,odometer_mi"

    report = taken_in(database, folder(tmp_path / "a", odometers=headings))

    assert [f.rows_read for f in report.files if f.table_name == "odometers"] == [0]


def test_a_fleets_own_headings_words_marks_and_constants_are_mapped(database, tmp_path):
    place = folder(
        tmp_path / "a",
        jobs_2024=(
            "Auftrag;Datum;Fahrzeug;km-Stand;Arbeit;Wer;Kraft\n"
            "A1;25.12.2024;V1;12.345,5;Einbau;T1;-\n"
            "Summe;;;;;;\n"
        ),
    )
    with_settings(
        place,
        """
        [[file]]
        name = "jobs_*.csv"
        table = "services"
        decimal_comma = true
        thousands = "."
        empty_words = ["-"]
        skip_totals = ["summe"]
        [file.headings]
        auftrag = "service_id"
        datum = "date"
        fahrzeug = "vehicle_id"
        "km-stand" = "odometer_km"
        arbeit = "action"
        wer = "technician_id"
        kraft = "reading_left"
        [file.words.action]
        einbau = "install"
        [file.constants]
        shop = "Werkstatt O'Neil"
        reading_unit = "kgf"
        """,
    )

    taken_in(database, place)

    assert rows(
        database,
        "select date::varchar, odometer_km, action, shop, reading_left, reading_unit "
        "from typed.services where service_id = 'A1'",
    ) == [("2024-12-25", 12345.5, "install", "Werkstatt O'Neil", None, "kgf")]
    assert refusals(database) == [("services", 3, "total_line")]


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ('headings = {x = "odometer_m"}', "name 'odometer_m', no column of odometers"),
        ('constants = {colour = "red"}', "name 'colour', no column"),
        ('constants = {date = "2024-01-01"}', "in the file and constant too: date"),
        ('words = {vehicle_id = {a = "b"}}', "map words of vehicle_id onto 'b'"),
    ],
)
def test_a_mapping_onto_nothing_is_refused(database, tmp_path, settings, message):
    place = folder(tmp_path / "a", odometers=ODOMETERS.format("2024-01-01"))
    with_settings(place, f'[[file]]\nname = "odometers.csv"\n{settings}\n')

    with pytest.raises(InputError, match=message):
        taken_in(database, place)


def test_dates_that_fit_two_orders_are_asked_for(database, tmp_path):
    place = folder(tmp_path / "a", odometers=ODOMETERS.format("03/04/2024"))

    with pytest.raises(InputError, match="03/04/2024 can be day first") as caught:
        taken_in(database, place)

    assert 'date_form = "DMY"' in caught.value.fix


@pytest.mark.parametrize(
    ("date_form", "day"), [("DMY", "2024-04-03"), ("MDY", "2024-03-04")]
)
def test_the_settings_say_which_order_it_is(database, tmp_path, date_form, day):
    place = folder(tmp_path / "a", odometers=ODOMETERS.format("03/04/2024"))
    with_settings(place, f'[[file]]\nname = "odometers*"\ndate_form = "{date_form}"\n')

    taken_in(database, place)

    assert rows(database, "select date::varchar from typed.odometers") == [(day,)]


@pytest.mark.parametrize(
    ("proof", "day"), [("25/12/2023", "2024-04-03"), ("12/25/2023", "2024-03-04")]
)
def test_one_date_that_fits_one_order_alone_proves_it(database, tmp_path, proof, day):
    odometers = ODOMETERS.format("03/04/2024") + f"V1,{proof},900\n"

    taken_in(database, folder(tmp_path / "a", odometers=odometers))

    days = rows(database, "select date::varchar from typed.odometers order by line")
    assert days[0] == (day,)


def test_dates_that_prove_both_orders_are_asked_for(database, tmp_path):
    odometers = ODOMETERS.format("25/12/2023") + "V1,12/25/2024,2000\n"

    with pytest.raises(InputError, match="day first or month first"):
        taken_in(database, folder(tmp_path / "a", odometers=odometers))


def test_a_few_other_dates_among_year_first_ones_are_refused(database, tmp_path):
    odometers = ODOMETERS.format("2023-12-25") + "V1,03/04/2024,2000\n"

    taken_in(database, folder(tmp_path / "a", odometers=odometers))

    assert refusals(database) == [("odometers", 3, "not_a_date")]


def test_a_date_after_the_day_of_loading_is_refused(database, tmp_path):
    odometers = ODOMETERS.format("2026-01-01") + "V1,2026-01-02,2000\n"

    taken_in(database, folder(tmp_path / "a", odometers=odometers))

    assert refusals(database) == [("odometers", 3, "date_in_future")]


def test_a_distance_is_given_in_one_unit(database, tmp_path):
    odometers = (
        "vehicle_id,date,odometer_mi,odometer_km\n"
        "V1,2024-01-01,9000,\n"
        "V1,2024-01-02,,16000\n"
        "V1,2024-01-03,9999,16001\n"
        "V1,2024-01-04,,\n"
    )

    taken_in(database, folder(tmp_path / "a", odometers=odometers))

    assert refusals(database) == [
        ("odometers", 4, "two_units"),
        ("odometers", 5, "missing_value"),
    ]


def test_a_row_may_be_refused_for_several_reasons(database, tmp_path):
    pulleys = (
        "drive_id,position,accessory,x_mm,y_mm,diameter_mm,side\n"
        ",1.5,crank,a,1,-4,front\n"
    )

    taken_in(database, folder(tmp_path / "a", pulleys=pulleys))

    assert rows(database, "select column_name, reason from typed.refusals") == [
        (
            "drive_id",
            "; ".join(
                [
                    "missing_value",
                    "not_a_whole_number",
                    "not_a_number",
                    "out_of_range",
                    "unknown_word",
                ]
            ),
        )
    ]
