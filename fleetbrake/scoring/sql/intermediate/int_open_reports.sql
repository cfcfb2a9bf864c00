-- Grain: one row a vehicle with an uncleared defect report, an unanswered finding or failed test, or a warning lamp lit
-- in its newest event that has one. open_report: what is open, in words; open_since: its first day (of a lamp: from when
-- on it was lit in every event). least_priority: what it asks for whatever the recordings say. Reports: severity unknown
-- counts as minor, a lit lamp as well, severity 0 asks for nothing.
with
open_ones as (
    select
        r.vehicle_id, coalesce(r.severity, 1) as severity, r.reported_at, coalesce(r.text, 'no text given') as text
    from defect_reports as r, run
    where r.reported_at < run.known_until and (r.cleared_at is null or r.cleared_at >= run.known_until)
),
reports as (
    select * from open_ones
    qualify row_number() over (partition by vehicle_id order by severity desc, reported_at desc, text desc) = 1
),
lamps_in as (
    select
        vehicle_id, started_at, event_id, on_day, abs_warning_lamp as lit,
        max(case when not lit then started_at end) over (partition by vehicle_id) as dark_at
    from stg_events
    where abs_warning_lamp is not null
),
newest_lamps as (
    select
        vehicle_id, arg_max(lit, {'at': started_at, 'id': event_id}) as lit, max(on_day) as on_day,
        coalesce(min(on_day) filter (lit and (dark_at is null or started_at > dark_at)), max(on_day)) as since_on
    from lamps_in
    group by vehicle_id
),
lamps as (from newest_lamps where lit),
findings as (from int_open_findings),
ids as (
    select vehicle_id from reports union select vehicle_id from lamps union select vehicle_id from findings
)

select
    i.vehicle_id,
    concat_ws(' ', r.text, case when l.lit then format('Anti-lock warning lamp lit on {}.', l.on_day) end,
        case when f.told is not null then upper(left(f.told, 1)) || substring(f.told, 2) || '.' end) as open_report,
    -- least passes over what there is none of
    least((r.reported_at at time zone 'UTC')::date, case when l.lit then l.since_on end, f.found_on) as open_since,
    case
        when r.severity >= 3 or f.severity >= 3 or f.tested then 'before_next_trip'
        when f.severity = 2 then 'this_week'
        when r.severity = 2 then 'next_service'
        when r.severity = 1 or l.lit then 'watch'
    end as least_priority,
    nullif(concat_ws(' And ',
        case when r.severity >= 1
            then format('an open report of {}: {}', (r.reported_at at time zone 'UTC')::date, r.text) end,
        case when l.lit then format('a lit anti-lock warning lamp on {}.', l.on_day) end,
        case when f.told is not null then f.told || '.' end), '') as told
from ids as i
left join reports as r using (vehicle_id)
left join lamps as l using (vehicle_id)
left join findings as f using (vehicle_id)
