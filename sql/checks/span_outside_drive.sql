-- No accessory drive has a span of that length (20 mm to 3 m).
-- severity: note
-- example: span_in 178, a length in millimetres under the heading for inches
with

spans as (
    select
        'services' as table_name,
        file_id,
        line,
        service_id as key,
        span_in is not null as is_in_inches,
        coalesce(span_mm, span_in * 25.4e0) as span_mm
    from typed.services
    union all
    select
        'calibrations' as table_name,
        file_id,
        line,
        concat_ws('|', gauge_id, date, span_in, span_mm, reference, run) as key,
        span_in is not null as is_in_inches,
        coalesce(span_mm, span_in * 25.4e0) as span_mm
    from typed.calibrations
),

final as (
    select
        table_name,
        file_id,
        line,
        key,
        case when is_in_inches then 'span_in' else 'span_mm' end as column_name,
        'span_outside_drive' as code,
        format('{:.0f} mm', span_mm) as detail
    from spans
    where span_mm > 3000 or span_mm < 20
)

select * from final
