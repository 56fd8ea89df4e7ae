"""Work plans, plain and hostile, for what is made of them."""

from datetime import date, timedelta

import polars as pl

AS_OF = date(2026, 6, 30)
MONDAY = date(2026, 7, 6)
HOSTILE = (
    "=HYPERLINK(\"https://example.invalid\",\"x\")",
    "+1+1",
    "-2",
    "@SUM(A1)",
    "\t=1",
    "\u00a0=1",
    "https://example.invalid/a",
    "12345",
    "_x0041_",
    "nul\x01 and \x1b escape",
    "a\r\nEND:VCALENDAR\r\nBEGIN:VEVENT",
    "semi;colon,comma\\back\"quote:colon",
    "line\u2028and\u2029separators",
    "\u202eright to left",
    "Ä" * 80,
    "\U0001f69a" * 40,
    "[a]:*?/\\b",
    "'quoted'",
    "History",
    "history",
    "About this plan",
    "x" * 60,
    "x" * 61,
    "x" * 40_000,
    "\ufffe\uffff",
    " ",
)  # fmt: skip


def plan(depots=("Aldmoor", "Fenwick"), n_vehicles=6) -> pl.DataFrame:
    """Return jobs: two a vehicle, one vehicle in three without room."""
    rows = []
    for place, depot in enumerate(depots):
        for vehicle in range(n_vehicles):
            name = f"V-{place}{vehicle:02d}"
            has_room = vehicle % 3 != 2
            week = MONDAY + timedelta(weeks=vehicle // 2)
            for belt, job, minutes in (
                ("D1", "retension", 30.0),
                ("D2", "replace", 60.0),
            ):
                rows.append(
                    {
                        "vehicle_id": name,
                        "belt_id": f"{name}/{belt}/1",
                        "depot": depot,
                        "job": job,
                        "due_odometer_mi": 61_000.4 + vehicle,
                        "due_date": AS_OF + timedelta(days=vehicle),
                        "week": week if has_room else None,
                        "weeks_late": 0 if has_room else None,
                        "minutes": minutes,
                        "p_failure_90d": None if vehicle == 0 else 0.0123 * vehicle,
                        "expected_cost": 12.5 * vehicle,
                        "reason": "P(under) reaches 10 %" if has_room
                        else "overflow: no room in 26 weeks; P(under) reaches 10 %",
                    }
                )  # fmt: skip
    return pl.DataFrame(rows, SCHEMA)


SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "belt_id": pl.String(),
        "depot": pl.String(),
        "job": pl.String(),
        "due_odometer_mi": pl.Float64(),
        "due_date": pl.Date(),
        "week": pl.Date(),
        "weeks_late": pl.Int64(),
        "minutes": pl.Float64(),
        "p_failure_90d": pl.Float64(),
        "expected_cost": pl.Float64(),
        "reason": pl.String(),
    }
)


def hostile_plan() -> pl.DataFrame:
    """Return a plan whose depots, vehicles and reasons attack."""
    jobs = plan(HOSTILE, n_vehicles=3)
    attack = pl.Series([HOSTILE[k % len(HOSTILE)] for k in range(jobs.height)])
    return jobs.with_columns(vehicle_id=attack, reason=attack)


def results(jobs: pl.DataFrame, currency: str = "EUR") -> dict[str, pl.DataFrame]:
    """Return the tables that the files are made from."""
    facts = {"as_of": AS_OF.isoformat(), "currency": currency}
    info = pl.DataFrame({"key": list(facts), "value": list(facts.values())})
    return {"results.work_plan": jobs, "results.run_info": info}
