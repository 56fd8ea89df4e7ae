"""The commands as scripts call them: exit codes, JSON, and where words go."""

import datetime as dt
import json
import shutil

import polars as pl
import pytest

from fleetbelt.bench import desk
from fleetbelt.bench.records import opened, read_records
from fleetbelt.errors import InputError
from fleetbelt.intake import silent
from fleetbelt.store import frames
from fleetbelt.store.database import connect
from tests.fleets import write_fleet
from tests.test_cli import call

KEYS = {"unit", "correction", "correction_source", "new", "used"}
WITH_READINGS = {"tension_n", "tension_u_n", "p_under", "p_in", "p_over", "verdict"}
STATE_KEYS = {"low", "target", "high", "p_in"}
ONE = ("--vehicle", "V1", "--gauge", "A")


def reply(database, **asked):
    return desk.answer(
        desk.Call(**{"gauge_id": "A", "vehicle_ids": ("V1",), "span": "9in"} | asked),
        database=database,
        folder=None,
        html=None,
        say=silent,
    )


def test_the_answer_stands_on_stdout(database):
    found = call("bench", "--db", database, *ONE, "--span", "9in")

    assert found.returncode == 0
    assert "used belt, or after run-in  must show 109.0 lbf" in found.stdout
    assert "true = shown x 1.0566, between its calibrated spans" in found.stdout
    assert "not a repair instruction" in found.stdout
    assert found.stderr == ""


def test_a_span_beyond_the_calibrated_ones_ends_with_two_and_no_number(database):
    found = call("bench", "--db", database, *ONE, "--span", "6in", "--json")

    assert found.returncode == 2
    assert found.stdout == ""
    assert "calibrate it on a span of 152 mm (6 in)" in found.stderr
    assert "Traceback" not in found.stderr


def test_the_json_object_has_the_contracts_keys(database):
    asked = ("bench", "--db", database, *ONE, "--span", "9in", "--json")

    plain = json.loads(call(*asked).stdout)
    read = json.loads(call(*asked, "--reading", "118", "--reading", "121").stdout)

    assert plain.keys() >= KEYS
    assert not plain.keys() & WITH_READINGS
    assert plain["new"].keys() >= STATE_KEYS
    assert plain["used"].keys() >= STATE_KEYS
    assert read.keys() >= KEYS | WITH_READINGS
    assert plain["correction"] == pytest.approx(1.0566, abs=0.5e-4)
    assert plain["unit"] == "lbf"


def test_the_calibration_of_common_practice_is_printed():
    found = call("bench", "calibrate", "7in:185lbf:167.5", "12in:185lbf:182",
                 "--span", "9in")  # fmt: skip

    assert found.returncode == 0
    assert "1.10448" in found.stdout
    assert "1.01648" in found.stdout
    assert "0.4 % short" in found.stdout
    assert "On 229 mm (9 in): 1.0566" in found.stdout
    assert "standard uncertainty 0.95 %" in found.stdout


def test_a_calibration_gives_nothing_beyond_its_spans():
    found = call("bench", "calibrate", "7in:185lbf:167.5", "12in:185lbf:182",
                 "--span", "6in")  # fmt: skip

    assert found.returncode == 2
    assert found.stdout == ""


def test_a_data_folder_will_do_and_sheets_are_written(folder, tmp_path):
    sheet = tmp_path / "sheet.html"

    found = call("bench", "--data", folder, *ONE, "--html", sheet)

    assert found.returncode == 0
    assert found.stdout.strip() == str(sheet)
    assert "must show" in sheet.read_text("utf-8")


@pytest.mark.parametrize("belt", ["new", "used"])
def test_readings_are_judged_by_the_state_asked_for(database, belt):
    facts = reply(database, belt=belt, readings=(118.0,)).as_json()

    assert facts["judged_as"] == belt
    assert facts["verdict"] == {"new": "under", "used": "in"}[belt]
    assert facts["verdict"] == facts["verdicts"][belt]["verdict"]


def test_the_text_speaks_of_the_state_asked_for_alone(database):
    text = reply(database, belt="used").as_text()

    assert "used belt" in text
    assert "new belt" not in text


def test_several_vehicles_have_an_object_each_and_one_may_have_no_number(database):
    found = reply(database, vehicle_ids=("V1", "V2"), gauge_id="hertz").as_json()

    first, second = found["answers"]
    assert first.keys() >= KEYS
    assert "belt_mass_g_per_m" in second["refused"]["where"]


def test_when_no_vehicle_has_a_number_the_call_is_refused(database):
    with pytest.raises(InputError, match="gives no number"):
        reply(database, vehicle_ids=("V1", "V2"), span="6in")


@pytest.mark.parametrize(
    ("asked", "what"),
    [
        ({"gauge_id": None}, "No gauge is named"),
        ({"vehicle_ids": ()}, "No vehicle, drive or week"),
        ({"week": dt.date(2020, 1, 1)}, "A week names its own vehicles"),
        ({"vehicle_ids": ("V1", "V2"), "readings": (1.0,)}, "belong to one belt"),
    ],
)
def test_a_call_that_does_not_hang_together_is_refused(database, asked, what):
    with pytest.raises(InputError, match=what):
        reply(database, **asked)


@pytest.mark.parametrize("has", [(False, False), (True, True)])
def test_one_source_of_records_is_needed(database, folder, has):
    with pytest.raises(InputError, match="a database or a data folder, not both"):
        desk.answer(
            desk.Call(gauge_id="A", drive_id="D1"),
            database=database if has[0] else None,
            folder=folder if has[1] else None,
            html=None,
            say=silent,
        )


def test_a_database_that_is_not_there_is_not_made(tmp_path):
    with pytest.raises(InputError, match="no such database"):
        reply(tmp_path / "none.duckdb")
    assert list(tmp_path.iterdir()) == []


def test_records_that_were_only_loaded_have_to_be_run_first(tmp_path):
    folder, database = write_fleet(tmp_path / "records"), tmp_path / "fleet.duckdb"
    call("load", folder, "--db", database)

    with pytest.raises(InputError, match="no results yet"):
        reply(database)


def test_a_week_without_a_plan_says_that_it_has_to_be_made_first(database, tmp_path):
    copy = tmp_path / "unplanned.duckdb"
    shutil.copy(database, copy)
    with connect(copy) as connection:
        connection.execute("drop table if exists results.work_plan")

    with pytest.raises(InputError, match="no plan of work yet"):
        reply(copy, vehicle_ids=(), week=dt.date(2020, 1, 1), span=None)


def test_a_week_of_the_plan_is_a_sheet_a_job(database, tmp_path):
    copy = tmp_path / "planned.duckdb"
    shutil.copy(database, copy)
    with opened(copy, None) as connection:
        belts = read_records(connection).belts.filter(vehicle_id="V1")
    jobs = pl.DataFrame(
        {
            "vehicle_id": ["V1", "V1", "V2"],
            "belt_id": [belts["belt_id"][0]] * 2 + [None],
            "depot": ["North yard"] * 3,
            "job": ["retension", "replace", "retension"],
            "week": [dt.date(2020, 8, 3), dt.date(2020, 8, 3), dt.date(2020, 8, 10)],
        },
        schema_overrides={"belt_id": pl.String},
    )
    with connect(copy) as connection:
        frames.write(connection, "results.work_plan", jobs)

    found = reply(copy, vehicle_ids=(), week=dt.date(2020, 8, 6), span=None)

    (one,) = found.found
    assert one.subject.vehicle["vehicle_id"] == "V1"
    with pytest.raises(InputError, match="from 2020-08-03 to 2020-08-10"):
        reply(copy, vehicle_ids=(), week=dt.date(2021, 8, 6), span=None)


def test_a_week_of_the_samples_own_plan_is_a_sheet_a_belt(sample):
    with connect(sample.database, read_only=True) as connection:
        jobs = frames.read(connection, "from results.work_plan").drop_nulls("week")
    week: dt.date = jobs["week"].sort()[0]
    planned = jobs.filter(week=week).sort("depot", "vehicle_id", "belt_id")

    found = reply(
        sample.database,
        gauge_id="G-01",
        vehicle_ids=(),
        week=week + dt.timedelta(days=4),
        span="230mm",
    )

    belts = [
        (one.subject.vehicle["vehicle_id"], one.subject.drive_id) for one in found.found
    ]
    assert len(belts) > 3
    assert belts == [tuple(name.split("/")[:2]) for name in planned["belt_id"]]
