"""fleetbelt.toml: defaults, checks and messages."""

import datetime as dt

import pytest

from fleetbelt.errors import InputError, PlaceError
from fleetbelt.settings import Settings, load_settings, parse_settings


def test_a_folder_without_a_settings_file_has_the_defaults(tmp_path):
    assert load_settings(tmp_path) == Settings()


def test_values_are_read_by_section(tmp_path):
    (tmp_path / "fleetbelt.toml").write_text(
        "[measurement]\nreading_sd = 0.03\n"
        "[belts]\nrecords_from = 2020-05-01\npreferred_sources = ['a', 'b']\n"
        "[plan.costs]\nroad_failure = 1200\n",
        encoding="utf-8",
    )

    settings = load_settings(tmp_path)

    assert settings.measurement.reading_sd == 0.03
    assert settings.belts.records_from == dt.date(2020, 5, 1)
    assert settings.belts.preferred_sources == ("a", "b")
    assert settings.plan.costs.road_failure == 1200
    assert settings.plan.costs.retension == Settings().plan.costs.retension


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[measurement]\nreading_s = 1", "measurement.reading_s is no key known here"),
        ("[measurement]\nreading_sd = 0", "measurement.reading_sd: .*greater than or"),
        ("[measurement]\nreading_sd = 1e-308", "reading_sd: .*greater than or"),
        ("[measurement]\nreading_sd = 1e308", "reading_sd: .*less than or"),
        ("[measurement]\nfirm_p = 0.1", "doubtful_p must be below firm_p"),
        ("[measurement]\nreading_sd = nan", "measurement.reading_sd: .*finite"),
        ("[belts]\nrecords_from = 'x'", "belts.records_from"),
        ("[[file]]\nname = 'x'\ntable = 'z'", r"file\[0\].table: must be one of veh"),
        ("[[file]]\nname = 'x'\nencoding = 'rot13'", "encoding: is no encoding"),
        ("[[file]]\nname = 'x'\nencoding = 'nope'", "encoding: is no encoding"),
        ("[[file]]\nname = 'x'\nthousands = '.'", "must differ"),
        ("[[file]]\ntable = 'services'", r"file\[0\].name: Field required"),
        ("[[file]]\nname = 'x'\nencoding = 'idna'", "encoding: is no encoding"),
        ("[[file]]\nname = 'x'\nskip_top = 1" + "0" * 30, "skip_top: .*less than"),
        ("[[file]]\nname = 'x'\nskip_totals = ['']", "skip_totals.*at least 1"),
        ("[[file]]\nname = 'x'\nconstants = {shop = [1]}", "must be one value"),
        ("a = ", "are no TOML"),
        ("a = " + "[" * 3000, "are no TOML"),
        ("file = 1", "file: "),
    ],
)
def test_a_wrong_key_is_named_with_its_path(text, message):
    with pytest.raises(InputError, match=message) as caught:
        parse_settings(text, "somewhere/fleetbelt.toml")

    assert caught.value.where == "somewhere/fleetbelt.toml"


def test_settings_that_are_not_utf_8_are_an_input_error(tmp_path):
    (tmp_path / "fleetbelt.toml").write_bytes(b"a = '\xff'")

    with pytest.raises(InputError, match="not UTF-8"):
        load_settings(tmp_path)


def test_settings_that_cannot_be_read_are_a_place_error(tmp_path):
    (tmp_path / "fleetbelt.toml").mkdir()

    with pytest.raises(PlaceError, match="cannot be read"):
        load_settings(tmp_path)


def test_the_first_mapping_that_fits_a_file_is_its_own():
    settings = parse_settings(
        '[[file]]\nname = "jobs_[1].csv"\nsheet = "one"\n'
        '[[file]]\nname = "JOBS*"\nsheet = "two"\n',
        "",
    )

    sheets = [
        settings.mapping_of(name).sheet
        for name in ("jobs_[1].csv", "Jobs_3.csv", "x.csv")
    ]

    assert sheets == ["one", "two", ""]


def test_constants_are_text():
    settings = parse_settings(
        '[[file]]\nname = "x"\nconstants = {ribs = 6, date = 2024-01-05}\n', ""
    )

    assert settings.files[0].constants == {"ribs": "6", "date": "2024-01-05"}
