-- Grain: one row a vehicle (a driver, where a trip names no vehicle) and day (UTC) of a counted trip: the share of the
-- events in the weeks around it that tell whether the stop was hard. NULL: no recording in those weeks.
with
trips_in as (select * from int_driver_roads),
events_in as (select vehicle_id, driver_id, on_day, hard_stop from stg_events),
days as (
    select 'vehicle' as unit, vehicle_id as id, on_day, count(*) as events, count(hard_stop) as told
    from events_in
    group by all
    union all
    select 'driver', driver_id, on_day, count(*), count(hard_stop)
    from events_in
    where driver_id in (select driver_id from trips_in where vehicle_id is null)
    group by all
    union all
    select distinct
        case when vehicle_id is null then 'driver' else 'vehicle' end, coalesce(vehicle_id, driver_id), on_day, 0, 0
    from trips_in
),
around as (
    select
        unit, id, on_day, events = 0 as is_trip,
        sum(told) over weeks / nullif(sum(events) over weeks, 0) as share
    from days cross join priors as pr
    window weeks as (
        partition by unit, id order by on_day
        range between to_days(pr.recorded_days::integer) preceding and to_days(pr.recorded_days::integer) following)
)

select unit, id, on_day, share from around where is_trip
