-- A complaint at a mile where no belt is known to have been on its drive.
-- severity: note
-- example: complaint between a remove and the next install
-- mend: Record the install or refit that is missing, or correct the odometer.
select
    'complaints' as table_name,
    complaints.file_id,
    complaints.line,
    complaints.complaint_id as key,
    'odometer_mi' as column_name,
    'complaint_without_belt' as code,
    'No belt is known to have been on at this mile; it counts for no rate.' as detail
from history.complaint_belts as placed
inner join staging.complaints as complaints using (complaint_id)
where placed.belt_id is null
