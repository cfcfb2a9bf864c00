-- Grain: one row a vehicle with an uncleared defect report, or a warning lamp lit in its newest event that has one.
with
reports as (
    select r.vehicle_id, arg_max(r.text, {'at': r.reported_at, 'text': r.text}) as text
    from defect_reports as r, run
    where r.reported_at < run.until and (r.cleared_at is null or r.cleared_at >= run.until)
    group by all
),
lamps as (
    select vehicle_id, arg_max(abs_warning_lamp, {'at': started_at, 'id': event_id}) as lit, max(on_day) as on_day
    from stg_events
    where abs_warning_lamp is not null
    group by all
)

select
    coalesce(r.vehicle_id, l.vehicle_id) as vehicle_id,
    concat_ws(' ', r.text, case when l.lit then format('Anti-lock warning lamp lit on {}.', l.on_day) end)
        as open_report
from reports as r
full join (from lamps where lit) as l using (vehicle_id)
