"""Schema `typed` as views: raw rows seen through the contract, less those set aside.

A row is in exactly one place because a view shows every raw row that is not in
``typed.set_aside``; nothing is copied, so nothing can be lost or doubled on the way.
"""

from collections.abc import Sequence
from typing import Final

from fleetbelt.contract import Table
from fleetbelt.contract.tables import Type
from fleetbelt.ingest.casts import Form, cell_of, value_of
from fleetbelt.ingest.statements import (
    Sql,
    compose,
    joined,
    name,
    qualified,
    whole,
)

FileGroup = tuple[Form, Sequence[int]]
"""A way of writing values, and the files that use it."""

_ENGINE_TYPES: Final[dict[Type, Sql]] = {
    "text": Sql("varchar"),
    "date": Sql("date"),
    "integer": Sql("bigint"),
    "real": Sql("double"),
}

SET_ASIDE: Final = """
create or replace table typed.refusals (
    file_id integer, line bigint, table_name varchar, column_name varchar,
    reason varchar, raw varchar
);

create or replace table typed.replaced (
    file_id integer, line bigint, table_name varchar, key varchar,
    by_file_id integer, raw varchar
);

create or replace table typed.duplicates (
    file_id integer, table_name varchar, line bigint
);

create or replace view typed.set_aside as
select file_id, line from typed.refusals
union all
select file_id, line from typed.replaced
union all
select file_id, line from typed.duplicates
"""
"""Where the rows go that are not accepted or no longer stand."""

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

DOUBTS: Final = """
create or replace table typed.misplaced as
select
    sightings.table_name, sightings.file_id, sightings.line, sightings.key,
    sightings.vehicle_id, sightings.date,
    vehicles.in_service_date, vehicles.retired_date,
    vehicles.vehicle_id is null as is_unknown
from typed.sightings
left join typed.vehicles using (vehicle_id)
where
    vehicles.vehicle_id is null
    or sightings.date < vehicles.in_service_date
    or sightings.date > vehicles.retired_date;

create or replace table typed.erring as
with

steps as (
    select
        vehicle_id,
        date,
        odometer_mi,
        lag(date) over of_vehicle as date_before,
        lag(odometer_mi) over of_vehicle as mi_before
    from typed.sightings
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

select * from typed.sightings semi join vehicles using (vehicle_id)
"""
"""What the rules on a vehicle's days and odometer look at, so that none of them reads
all sightings: those of no known vehicle or outside its days, and those of every vehicle
whose odometer falls by more than a mile or jumps somewhere.
"""

KEEP_STANDING: Final = """
delete from typed.misplaced
where (file_id, line) in (select (file_id, line) from typed.refusals);

delete from typed.erring
where (file_id, line) in (select (file_id, line) from typed.refusals)
"""
"""Leave in those tables what the rules did not refuse, for the notes."""

ODOMETER_NEIGHBOURS: Final = """
create or replace view typed.odometer_neighbours as
with

readings as (
    select distinct vehicle_id, date, odometer_mi from typed.erring
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
"""Every odometer reading, with its neighbours in time, of the vehicles that err."""


def typed_view(table: Table, groups: Sequence[FileGroup]) -> Sql:
    """Return the making of a table's view of accepted rows that stand.

    Parameters
    ----------
    table : Table
        A table of the contract.
    groups : sequence of (Form, file numbers)
        Its files by the way they write values.
    """
    selects = [_selected(table, form, file_ids) for form, file_ids in groups]
    return compose(
        "create or replace view {table} as {selects}",
        table=qualified("typed", table),
        selects=joined(" union all ", selects or [_nothing(table)]),
    )


def _selected(table: Table, form: Form, file_ids: Sequence[int]) -> Sql:
    values = (
        compose("{v} as {c}", v=name(f"value_{c.name}"), c=name(c.name))
        for c in table.columns
    )
    rows = compose(
        "from {raw} anti join typed.set_aside using (file_id, line) "
        "where file_id in ({ids})",
        raw=qualified("raw", table),
        ids=whole(file_ids),
    )
    return compose(
        "select file_id, line, {values} from ({valued})",
        values=joined(", ", values),
        valued=valued(table, form, rows),
    )


def _nothing(table: Table) -> Sql:
    columns = (
        compose("cast(null as {t}) as {c}", t=_ENGINE_TYPES[c.type], c=name(c.name))
        for c in table.columns
    )
    return compose(
        "select cast(null as integer) as file_id, cast(null as bigint) as line, "
        "{columns} where false",
        columns=joined(", ", columns),
    )


def valued(table: Table, form: Form, rows: Sql) -> Sql:
    """Return raw rows with each cell as text (cell_…) and as value (value_…)."""
    cells = (
        compose("{x} as {c}", x=cell_of(c, form), c=name(f"cell_{c.name}"))
        for c in table.columns
    )
    values = (
        compose(
            "{x} as {c}",
            x=value_of(c, name(f"cell_{c.name}"), form),
            c=name(f"value_{c.name}"),
        )
        for c in table.columns
    )
    return compose(
        "select *, {values} from (select file_id, line, {cells} from ({rows}))",
        values=joined(", ", values),
        cells=joined(", ", cells),
        rows=rows,
    )
