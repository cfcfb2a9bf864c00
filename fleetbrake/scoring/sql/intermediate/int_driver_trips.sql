-- Grain: one row a trip of the register inside the look-back, with a standing: counted; no_driver; impossible (no
-- distance a trip can have); contested (another driver's trip in the same vehicle at the same time: nobody knows whose
-- kilometres and stops these are); repeated (told again by a longer trip of the same driver, or by one with a driver).
-- A short overlap is a change of drivers. Units: km.
with
trips_in as (
    select t.*, coalesce(finite(t.distance_km) > 0 and t.distance_km <= pr.trip_most_km, false) as possible
    from trips as t, run, priors as pr
    where t.started_at < run.until and t.started_at >= run.since
),
spans as (
    select
        *, max(ended_at) over (in_time rows between unbounded preceding and 1 preceding) as busy_until,
        lead(started_at) over in_time as next_at, to_microseconds((1e6 * pr.handover_s)::bigint) as slack
    from trips_in cross join priors as pr
    where vehicle_id is not null and ended_at > started_at and possible
    window in_time as (partition by vehicle_id order by started_at, trip_id)
),
-- few: only these are compared with each other, by the days that they touch (a month at most)
close as (
    select *, unnest(generate_series(0, least(date_diff('day', started_at, ended_at) + 1, 31))) as day_number,
        date_trunc('day', started_at) + to_days(day_number::integer) as touched
    from spans where busy_until - slack > started_at or next_at < ended_at - slack
),
clashes as (
    select
        a.trip_id,
        bool_or(a.driver_id <> b.driver_id) as contested,
        bool_or((a.driver_id is null and b.driver_id is not null) or (a.driver_id is not distinct from b.driver_id
            and (b.distance_km, a.trip_id) > (a.distance_km, b.trip_id))) as repeated
    from close as a
    join close as b on b.vehicle_id = a.vehicle_id and b.touched = a.touched and b.trip_id <> a.trip_id
        and b.started_at < a.ended_at - a.slack and a.started_at < b.ended_at - a.slack
    group by a.trip_id
)

select
    t.trip_id, t.vehicle_id, t.driver_id, t.started_at, (t.started_at at time zone 'UTC')::date as on_day,
    case when t.possible then t.distance_km end as km,
    t.distance_km is not null and not t.possible as slip,
    case when t.brake_applications >= 0 then t.brake_applications end as brake_applications,
    case
        when not t.possible then 'impossible'
        when c.contested then 'contested'
        when c.repeated then 'repeated'
        when t.driver_id is null then 'no_driver'
        else 'counted'
    end as standing
from trips_in as t
left join clashes as c using (trip_id)
