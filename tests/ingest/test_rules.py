"""The rules across rows: what is certain is refused, what is doubtful is noted."""

import polars as pl
import pytest

from fleetbelt.resources import bundled
from fleetbelt.settings import Settings
from fleetbelt.steps import gauges
from fleetbelt.store import frames, sql_models
from fleetbelt.store.checks import discover
from tests.ingest.folders import (
    DRIVES,
    HEADINGS,
    SPECS,
    VEHICLES,
    folder,
    rows,
    service,
    taken_in,
    with_settings,
)

RULES = {rule.code: rule for rule in discover(bundled("sql") / "checks")}
BEFORE_GAUGES = ["staging", "history.as_of", "history.gauge_uses"]
READ_BY_RULES = [
    f"history.{name}"
    for name in ("ranges", "drive_numbers", "measured_visits", "visits", "readings")
]
MONTHS = [f"2021-{month:02d}-01" for month in range(1, 13)]


@pytest.fixture
def notes(database):
    """Return table and key of every row a rule of severity note finds."""

    def noted(code: str):
        models = sql_models.discover(bundled("sql"))
        no_day = pl.DataFrame({"as_of": [None]}, {"as_of": pl.Date})
        frames.write(database, "typed.run_options", no_day)
        sql_models.build(database, models, *BEFORE_GAUGES)
        fitted = gauges(lambda t: frames.read(database, f"from {t}"), Settings())
        for name, frame in fitted.items():
            frames.write(database, name, frame)
        sql_models.build(database, models, *READ_BY_RULES)
        found = database.execute(f"select table_name, key from ({RULES[code].sql})")
        return sorted(found.fetchall())

    return noted


@pytest.fixture
def driven(database, tmp_path):
    """Take in odometer readings of V3, one a month."""

    def drive(*odometers_mi: float):
        lines = (
            f"V3,{day},{mi}\n" for day, mi in zip(MONTHS, odometers_mi, strict=False)
        )
        taken_in(
            database,
            folder(
                tmp_path / "a",
                odometers="vehicle_id,date,odometer_mi\n" + "".join(lines),
            ),
        )
        return [
            mi
            for (mi,) in rows(
                database,
                "select raw.odometer_mi::double from typed.refusals "
                "join raw.odometers as raw using (file_id, line) "
                "where reason = 'odometer_backwards'",
            )
        ]

    return drive


@pytest.mark.parametrize(
    ("readings", "refused"),
    [
        ((10, 20, 30, 40), []),
        ((100, 200, 20, 300, 400), [20]),
        ((100, 200, 2000, 300, 400), [2000]),
        ((100, 200, 300, 25), [25]),
        ((2500, 100, 200, 300), [2500]),
        ((100, 200, 200, 300), []),
        ((100, 200, 199.5, 300), []),
    ],
)
def test_only_the_odd_one_out_is_refused(driven, readings, refused):
    assert driven(*readings) == refused


@pytest.mark.parametrize(
    ("readings", "lower"),
    [
        ((200, 100), 100),  # either may be wrong
        ((100, 300, 200, 400), 200),
        ((100, 300, 200), 200),
        ((90000, 95000, 10, 4000, 9000), 10),  # another odometer was fitted
    ],
)
def test_where_it_is_not_clear_which_is_wrong_both_stay_with_a_note(
    driven, notes, readings, lower
):
    assert driven(*readings) == []
    day = MONTHS[readings.index(lower)]
    assert notes("odometer_order_unclear") == [("odometers", f"V3|{day}|{lower:.1f}")]


def test_all_records_of_the_odd_reading_are_refused(database, tmp_path):
    visits = [
        service("A1", date=MONTHS[0], odometer_mi=100),
        service("A2", date=MONTHS[1], odometer_mi=200),
        service("A3", date=MONTHS[2], odometer_mi=3000),
        service("A4", date=MONTHS[2], odometer_mi=3000),
        service("A5", date=MONTHS[3], odometer_mi=400),
        service("A6", date=MONTHS[4], odometer_mi=500),
    ]
    place = folder(tmp_path / "a", services_b=f"{HEADINGS}\n{''.join(visits)}")

    taken_in(database, place)

    assert rows(database, "select line, reason from typed.refusals order by line") == [
        (4, "odometer_backwards"),
        (5, "odometer_backwards"),
    ]


def test_an_odd_fleet_without_contradictions_loads_whole(database, tmp_path):
    """One visit a vehicle, miles as thousands, dates of another century."""
    visits = [
        service(f"F{n}", date=f"19{n:02d}-01-01", odometer_mi=life, vehicle_id=f"F{n}")
        for n, life in enumerate([77, 47, 81, 56, 80, 62, 60, 43, 71, 37], start=10)
    ]
    vehicles = "".join(f"F{n},M,D1,N\n" for n in range(10, 20))
    place = folder(
        tmp_path / "a",
        vehicles_b=f"vehicle_id,model,drive_id,depot\n{vehicles}",
        services_b=f"{HEADINGS}\n{''.join(visits)}",
    )

    taken_in(database, place)

    assert rows(database, "from typed.refusals") == []


def test_a_range_with_its_minimum_above_its_maximum_is_refused(database, tmp_path):
    specs = SPECS + "D1,used,135,95,lbf,upside down\nD1,used,95,95,lbf,one number\n"

    taken_in(database, folder(tmp_path / "a", specs=specs))

    assert rows(database, "select line, reason from typed.refusals") == [
        (4, "min_over_max")
    ]


@pytest.mark.parametrize("first", ["vehicle_id,model", "Vehicle ID,MODEL", "Van,Kind"])
def test_headings_in_the_middle_of_a_file_are_no_vehicle(database, tmp_path, first):
    text = f"{first},drive_id,depot\nV1,C,D1,N\n{first},drive_id,depot\nV2,C,D1,N\n"
    settings = (
        "[[file]]\nname = 'vehicles*'\nheadings = {Van='vehicle_id',Kind='model'}"
    )
    place = folder(tmp_path / "a", vehicles_b=text, vehicles=VEHICLES.split("V1")[0])

    taken_in(database, with_settings(place, settings), accept_refusals=True)

    assert rows(database, "select vehicle_id from typed.vehicles order by all") == [
        ("V1",),
        ("V2",),
    ]
    assert rows(database, "select line, reason from typed.refusals where line = 3") == [
        (3, "heading_again")
    ]


def test_a_row_that_breaks_two_rules_has_both_codes(database, tmp_path):
    lines = [
        f"X9,{day},{mi}\n" for day, mi in zip(MONTHS, [1, 2, 900, 3, 4], strict=False)
    ]
    odometers = "vehicle_id,date,odometer_mi\n" + "".join(lines)

    taken_in(database, folder(tmp_path / "a", odometers=odometers))

    assert rows(
        database, "select column_name, reason from typed.refusals where line = 4"
    ) == [("odometer_mi", "odometer_backwards; unknown_vehicle")]


def test_a_jump_past_what_a_vehicle_can_drive_is_noted(driven, notes):
    driven(1000, 5000, 5000 + 1500 * 30)

    assert notes("odometer_jump") == [("odometers", "V3|2021-03-01|50000.0")]


def test_the_settings_say_how_far_a_vehicle_can_drive(database, tmp_path, notes):
    place = folder(
        tmp_path / "a",
        odometers="vehicle_id,date,odometer_mi\nV3,2021-01-01,0\nV3,2021-01-02,250\n",
    )
    with_settings(place, "[intake]\nmax_miles_per_day = 100\n")

    taken_in(database, place)

    assert notes("odometer_jump") == [("odometers", "V3|2021-01-02|250.0")]


def test_an_odometer_no_vehicle_reaches_is_refused_in_either_unit(database, tmp_path):
    lines = [f"V3,{MONTHS[0]},100,", f"V3,{MONTHS[1]},201,", f"V3,{MONTHS[2]},,321"]
    lines += [f"V3,{MONTHS[3]},,323"]
    text = "vehicle_id,date,odometer_mi,odometer_km\n" + "\n".join(lines)
    place = with_settings(
        folder(tmp_path / "a", odometers=text, services=f"{HEADINGS}\n"),
        "[intake]\nmax_odometer_mi = 200\n",
    )

    taken_in(database, place)

    assert rows(
        database, "select line, column_name, reason from typed.refusals order by line"
    ) == [(3, "odometer_mi", "out_of_range"), (5, "odometer_km", "out_of_range")]


def test_unknown_drives_are_noted_wherever_they_are_named(database, tmp_path, notes):
    place = folder(
        tmp_path / "a",
        drives=DRIVES.replace("D1", "D2"),
        services_b=f"{HEADINGS},drive_id\n{service().strip()},D2\n",
        pulleys="drive_id,position,accessory,x_mm,y_mm,diameter_mm,side\n"
        "D3,1,crankshaft,0,0,150,ribbed\n",
    )

    taken_in(database, place)

    assert notes("unknown_drive") == [
        ("pulleys", "D3|1"),
        ("specs", "D1|new|handbook p. 41"),
        ("specs", "D1|used|handbook p. 41"),
        ("vehicles", "V1"),
        ("vehicles", "V2"),
        ("vehicles", "V3"),
    ]


def test_an_unknown_gauge_is_noted_where_gauges_are_listed(database, tmp_path, notes):
    files = {"services_b": f"{HEADINGS},gauge_id\n{service().strip()},G7\n"}
    place = folder(tmp_path / "a", **files)
    taken_in(database, place)
    assert notes("unknown_gauge") == []
    files["gauges"] = "gauge_id,method\nG1,push\n"

    taken_in(database, folder(tmp_path / "b", **files))

    assert notes("unknown_gauge") == [("services", "S9")]


def test_dates_outside_a_vehicles_time_are_noted(database, tmp_path, notes):
    place = folder(
        tmp_path / "a",
        vehicles="vehicle_id,model,drive_id,depot,in_service_date,retired_date\n"
        "V3,M,D1,N,2021-02-01,2021-05-01\n",
        services="".join(
            [
                f"{HEADINGS}\n",
                service("A1", date="2021-01-31", odometer_mi=1),
                service("A2", date="2021-02-01", odometer_mi=2),
                service("A3", date="2021-05-01", odometer_mi=3),
                service("A4", date="2021-05-02", odometer_mi=4),
            ]
        ),
    )

    taken_in(database, place)

    assert notes("before_vehicle") == [("services", "A1")]
    assert notes("after_retirement") == [("services", "A4")]


def test_a_span_no_drive_has_is_noted(database, tmp_path, notes):
    spans = ["7", "0.7", "178"]
    lines = [
        f"{service(f'A{n}', odometer_mi=n).strip()},{span}\n"
        for n, span in enumerate(spans)
    ]
    place = folder(tmp_path / "a", services=f"{HEADINGS},span_in\n{''.join(lines)}")

    taken_in(database, place)

    assert notes("span_outside_drive") == [("services", "A1"), ("services", "A2")]


def test_the_settings_say_which_spans_there_are(database, tmp_path, notes):
    place = folder(
        tmp_path / "a",
        services=f"{HEADINGS},span_mm\n{service('A1').strip()},90\n"
        f"{service('A2', odometer_mi=9).strip()},400\n",
    )
    with_settings(place, "[intake]\nmin_span_mm = 100\nmax_span_mm = 300\n")

    taken_in(database, place)

    assert notes("span_outside_drive") == [("services", "A1"), ("services", "A2")]


def test_printed_unit_pairs_that_disagree_are_noted(database, tmp_path, notes):
    specs = SPECS + (
        "D1,used,423,601,N,handbook p. 41 (N)\n"  # 95 and 135 lbf
        "D1,new,680,800,N,Handbook p.41 N\n"  # 153 and 180 lbf
        "D1,new,680,800,N,another book\n"
    )

    taken_in(database, folder(tmp_path / "a", specs=specs))

    assert notes("unit_pair_disagrees") == [
        ("specs", "D1|new|Handbook p.41 N"),
        ("specs", "D1|new|handbook p. 41"),
    ]


@pytest.mark.parametrize(
    ("readings", "slips"),
    [
        ([("110", "lbf"), ("489", "lbf"), ("105", "lbf")], ["A1"]),
        ([("110", "lbf"), ("110", "N"), ("105", "lbf")], ["A1"]),
        ([("110", "lbf"), ("11.5", "lbf"), ("105", "lbf")], ["A1"]),
        ([("110", "lbf"), ("24.7", "lbf"), ("26", "lbf")], []),  # a loose belt
        ([("489", "lbf")], ["A0"]),
        ([("24.7", "lbf")], []),  # it may be loose
        ([("110", "lbf"), ("160", "lbf"), ("489", "N")], []),
        ([("110", "lbf"), ("489", "Hz")], []),
    ],
)
def test_a_reading_off_by_the_ratio_of_two_units_is_noted(
    database, tmp_path, notes, readings, slips
):
    lines = [
        f"{service(f'A{n}', odometer_mi=n).strip()},{reading},{unit}\n"
        for n, (reading, unit) in enumerate(readings)
    ]
    place = folder(
        tmp_path / "a",
        services=f"{HEADINGS},reading_found,reading_unit\n{''.join(lines)}",
    )

    taken_in(database, place)

    assert notes("unit_slip") == [("services", slip) for slip in slips]


@pytest.mark.parametrize("rule", RULES.values(), ids=lambda rule: rule.code)
def test_every_rule_is_of_a_severity(rule):
    assert rule.severity in {"note", "quarantine"}
