"""Views over the accepted rows that several rules share."""

from typing import Final

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

ODOMETER_STEPS: Final = """
create or replace view typed.odometer_steps as
select
    vehicle_id,
    date,
    odometer_mi,
    lag(date) over of_vehicle as date_before,
    lag(odometer_mi) over of_vehicle as mi_before,
    lag(odometer_mi, 2) over of_vehicle as mi_before_that,
    lead(odometer_mi) over of_vehicle as mi_after,
    lead(odometer_mi, 2) over of_vehicle as mi_after_that
from (select distinct vehicle_id, date, odometer_mi from typed.sightings)
window of_vehicle as (partition by vehicle_id order by date, odometer_mi)
"""
"""Every odometer reading of a vehicle once, with its neighbours in time."""
