"""What the rules on a vehicle's days and odometer look at, so that none reads all.

That is every sighting of no known vehicle or outside its days (`typed.misplaced`), and
every one of a vehicle whose odometer falls by more than a mile or jumps somewhere
(`typed.erring`). Files that only add to what was settled are looked at alone, with all
that is known of the vehicles they name.
"""

from collections.abc import Sequence
from typing import Final

import duckdb

from fleetbelt.ingest.statements import Sql, compose, name, whole

SIGHTINGS: Final = """
create or replace view typed.sightings as
select
    'services' as table_name, file_id, line, service_id as key, vehicle_id, date,
    round(coalesce(odometer_mi, odometer_km / 1.609344e0), 3) as odometer_mi
from typed.services
union all
select
    'complaints', file_id, line, complaint_id, vehicle_id, date,
    round(coalesce(odometer_mi, odometer_km / 1.609344e0), 3)
from typed.complaints
union all
select
    'repairs', file_id, line, repair_id, vehicle_id, date,
    round(coalesce(odometer_mi, odometer_km / 1.609344e0), 3)
from typed.repairs
union all
select
    'odometers', file_id, line, concat_ws('|', vehicle_id, date, odometer_mi),
    vehicle_id, date, odometer_mi
from (
    select
        file_id, line, vehicle_id, date,
        round(coalesce(odometer_mi, odometer_km / 1.609344e0), 3) as odometer_mi
    from typed.odometers
)
"""
"""Every row that says where a vehicle's odometer stood on a day."""

_DOUBTED: Final = {
    "misplaced": """
with

seen as not materialized ({seen}),

found as (
    select
        seen.file_id,
        seen.line,
        vehicles.in_service_date,
        vehicles.retired_date,
        vehicles.vehicle_id is null as is_unknown
    from seen
    left join typed.vehicles using (vehicle_id)
    where
        vehicles.vehicle_id is null
        or seen.date < vehicles.in_service_date
        or seen.date > vehicles.retired_date
)

select
    seen.table_name, seen.file_id, seen.line, seen.key, seen.vehicle_id, seen.date,
    found.in_service_date, found.retired_date, found.is_unknown
from seen
inner join found using (file_id, line)
""",
    "erring": """
with

seen as not materialized ({seen}),

steps as (
    select
        vehicle_id,
        date,
        odometer_mi,
        lag(date) over of_vehicle as date_before,
        lag(odometer_mi) over of_vehicle as mi_before
    from seen
    window of_vehicle as (partition by vehicle_id order by date, odometer_mi)
),

vehicles as (
    select distinct vehicle_id
    from steps
    cross join typed.settings
    where
        odometer_mi < mi_before - 1
        or odometer_mi - mi_before > max_miles_per_day * (date - date_before + 1)
)

select seen.* from seen semi join vehicles using (vehicle_id)
""",
}

_STANDING: Final = """
create or replace view typed.outside_days as
select * from typed.misplaced anti join typed.refusals using (file_id, line);

create or replace view typed.odd_odometers as
select * from typed.erring anti join typed.refusals using (file_id, line);

create or replace view typed.odometer_neighbours as
with

readings as (
    select distinct vehicle_id, date, odometer_mi from typed.odd_odometers
)

select
    vehicle_id,
    date,
    odometer_mi,
    lag(date) over of_vehicle as date_before,
    lag(odometer_mi) over of_vehicle as mi_before,
    lag(odometer_mi, 2) over of_vehicle as mi_before_that,
    lead(odometer_mi) over of_vehicle as mi_after,
    lead(odometer_mi, 2) over of_vehicle as mi_after_that
from readings
window of_vehicle as (partition by vehicle_id order by date, odometer_mi)
"""
"""Those of them that no rule refused, and every reading of an odometer that errs with
its neighbours in time.
"""


def find_doubts(
    connection: duckdb.DuckDBPyConnection, added: Sequence[int] = ()
) -> None:
    """Find the rows that the rules on days and odometers look at.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction, with the typed views in place.
    added : sequence of int
        The files that were added to what was settled; none: all is looked at.
    """
    connection.execute(SIGHTINGS)
    if added:
        _look_at_added(connection, added)
    else:
        for table, query in _DOUBTED.items():
            found = compose(query, seen=Sql("from typed.sightings"))
            make = "create or replace table typed.{table} as {found}"
            connection.execute(compose(make, table=name(table), found=found))
    connection.execute(_STANDING)


def _look_at_added(connection: duckdb.DuckDBPyConnection, added: Sequence[int]) -> None:
    named = (
        "create or replace temp table named as "
        "select distinct vehicle_id from typed.sightings where file_id in ({ids})"
    )
    connection.execute(compose(named, ids=whole(added)))
    seen = Sql("from typed.sightings semi join temp.named using (vehicle_id)")
    for table, query in _DOUBTED.items():
        connection.execute(
            compose(
                "delete from typed.{table} "
                "where vehicle_id in (select vehicle_id from temp.named); "
                "insert into typed.{table} {found}",
                table=name(table),
                found=compose(query, seen=seen),
            )
        )
    connection.execute("drop table temp.named")
