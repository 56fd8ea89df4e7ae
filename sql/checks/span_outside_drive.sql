-- No accessory drive has a span of that length.
-- severity: note
-- example: span_in 178, a length in millimetres under the heading for inches
-- mend: Correct the span, or give it under the heading of its unit.
-- setting: intake.min_span_mm, intake.max_span_mm
with

settings as (select * from typed.settings),

spans as (
    select
        'services' as table_name,
        file_id,
        line,
        service_id as key,
        span_mm
    from history.visits
    union all
    select
        'calibrations' as table_name,
        file_id,
        line,
        concat_ws('|', gauge_id, date, span_in, span_mm, reference, run) as key,
        coalesce(span_mm, span_in * 25.4e0) as span_mm
    from typed.calibrations
),

final as (
    select
        spans.table_name,
        spans.file_id,
        spans.line,
        spans.key,
        'span_mm' as column_name,
        'span_outside_drive' as code,
        format('{:.0f} mm', spans.span_mm) as detail
    from spans
    cross join settings
    where
        spans.span_mm > settings.max_span_mm
        or spans.span_mm < settings.min_span_mm
)

select * from final
