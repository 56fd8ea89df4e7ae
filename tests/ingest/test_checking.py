"""What check says, and that what it suggests makes the folder load."""

import datetime as dt

import pytest

from fleetbelt.ingest import check, suggest_settings
from fleetbelt.ingest.suggestions import Suggestion, settings_text
from fleetbelt.settings import load_settings, parse_settings
from tests.ingest.folders import HEADINGS, folder, only, service, taken_in

TODAY = dt.date(2026, 1, 1)


def checked(place):
    return check(place, load_settings(place), today=TODAY)


def test_a_good_folder_is_shown_with_its_first_rows(tmp_path):
    text = checked(folder(tmp_path / "a")).text()

    assert "services.csv: services\n  read as: utf-8, cells separated by comma" in text
    assert "rows: 3 read, 3 would load, 0 refused, 0 known" in text
    assert "would load: line 2, service_id S1, date 2021-01-05, vehicle_id V1" in text


def test_refusals_are_shown_by_reason_with_the_first_of_each(tmp_path):
    lines = service("A1", odometer_mi="x") + service("A2", odometer_mi="y")
    place = folder(tmp_path / "a", services_b=f"{HEADINGS}\n{lines}broken\n")

    report = checked(place)

    file = next(f for f in report.files if f.file == "services_b.csv")
    assert [(r.n, r.reason, r.column, r.line) for r in file.refusals] == [
        (2, "not_a_number", "odometer_mi", 2),
        (1, "wrong_width", "", 4),
    ]
    assert "refused: 2 for not_a_number in odometer_mi" in report.text()


def test_a_file_mostly_refused_is_shown_not_raised(tmp_path):
    lines = "".join(service(f"A{n}", odometer_mi="x") for n in range(99))
    place = folder(tmp_path / "a", services_b=f"{HEADINGS}\n{lines}")

    assert "99 refused" in checked(place).text()


def test_missing_and_ignored_files_are_named(tmp_path):
    place = only(tmp_path / "a", vehicles="vehicle_id,model,drive_id,depot\n", x="y")

    text = checked(place).text()

    assert "missing: drives, specs, services" in text
    assert "ignored: x.csv" in text


def test_nothing_is_written(tmp_path):
    place = folder(tmp_path / "a")
    before = sorted(place.iterdir())

    checked(place)

    assert sorted(place.iterdir()) == before


def test_what_is_suggested_makes_the_folder_load(database, tmp_path):
    place = folder(
        tmp_path / "a",
        services_b=(
            "Job No;Service date;Vehicle;Mileage;Action;Workshop;Mechanic;Colour\n"
            "A1;31.01.2024;V3;12000,5;instal;North;T1;red\n"
        ),
        odometers="vehicle_id,date,odometer_mi\nV1,03/04/2024,5000\n",
    )

    first = suggest_settings(checked(place))
    (place / "fleetbelt.toml").write_text(first)
    second = suggest_settings(checked(place))

    assert '"Job No" = "service_id"' in first
    assert '"Mileage" = "odometer_mi"' in first
    assert '# "Colour" = ""' in first
    assert '# date_form = "DMY"' in first
    assert "# decimal_comma = true" in second
    assert '[file.words.action]\n"instal" = "install"' in second

    whole = first.replace("# date_form", "date_form").replace(
        '"services_b.csv"\n', '"services_b.csv"\ndecimal_comma = true\n'
    )
    whole = whole.replace('# "Colour"', '"Colour"')
    whole += '[file.words.action]\n"instal" = "install"\n'
    (place / "fleetbelt.toml").write_text(whole)
    report = taken_in(database, place)
    assert sum(file.rows_quarantined for file in report.files) == 0


@pytest.mark.parametrize("text", ['a"b\\', "line\nend", "\x7f\x01", "é–", ""])
def test_any_heading_can_be_written_into_the_settings(text):
    suggestion = Suggestion(headings={text: "service_id"})

    settings = parse_settings(settings_text({text: suggestion}), "")

    assert settings.files[0].headings == {text: "service_id"}
    assert settings.files[0].name == text
