-- Grain: one row a finding of the recordings that an inspection looked into and did not bear out: a clean inspection of
-- the vehicle or that wheel, on or after the day the finding began, and fewer trips since that carry the finding than a
-- finding needs to rank. trips_again: those trips. From then on the same recordings speak for nothing; new ones do.
with
clean as (select vehicle_id, wheel, inspected_on from stg_inspections where clean),
looked_into as (
    select
        series_number(measure_number(f.indicator, f.measure), u.vehicle, wheel_number(f.wheel)) as series,
        f.indicator, f.measure, f.vehicle_id, f.wheel, f.kind, f.split, f.now, f.then_expected,
        max(c.inspected_on) as answered_on
    from int_findings as f
    join stg_units as u using (vehicle_id)
    join clean as c on c.vehicle_id = f.vehicle_id and c.wheel in ('', f.wheel) and c.inspected_on >= f.first_seen_on
    group by all
),
again as (
    select a.indicator, a.measure, a.vehicle_id, a.wheel, count(distinct l.cluster) as trips
    from looked_into as a
    join int_levels as l using (series)
    where a.kind = 'level' and l.on_day > a.answered_on and l.seq > a.split
        and abs(l.x - a.then_expected) >= abs(a.now - a.then_expected) / 2
        and sign(l.x - a.then_expected) = sign(a.now - a.then_expected)
    group by all
    union all
    select a.indicator, a.measure, a.vehicle_id, a.wheel, count(distinct s.trip)
    from looked_into as a
    join int_shares as s using (series)
    where a.kind = 'share' and s.on_day > a.answered_on and s.hit
    group by all
)

select a.indicator, a.measure, a.vehicle_id, a.wheel, a.answered_on, coalesce(g.trips, 0) as trips_again
from looked_into as a
left join again as g using (indicator, measure, vehicle_id, wheel)
cross join priors as pr
where coalesce(g.trips, 0) < pr.persist_least
