-- Grain: one row a series and trip: x without what one factor explains (the factor's name stands in the table factor).
-- The effect of a level of the factor (a week, a condition, a driver ...) is what the *other* vehicles show at that
-- level against their own middle, a vehicle counting once, drawn towards 0 where there are few. So a fault explains
-- nothing away but what happens to all is taken out: of season, weather, driver and road a vehicle is not guilty. No
-- season, weather or place takes more than effect_most prior noises: a category that loses its brakes in a day is told.
-- Sums are of whole millionths of the prior noise, so that no order of rows can change them.
with
rows_in as not materialized (
    select
        s.*, p.sigma,
        case f.name
            when 'week' then hash(s.peers, s.week) when 'condition' then hash(s.peers, s.condition)
            when 'stood' then hash(s.peers, s.stood) when 'area' then hash(s.peers, s.area, s.week)
            when 'driver' then case when s.driver > 0 then hash(s.measure_no, s.driver) end
        end as level,
        (1e6 * greatest(-pr.clip, least(pr.clip, (s.x - s.centre) / p.sigma)))::bigint as r
    from level_steps as s
    join indicator_priors as p on p.number = s.measure_no
    cross join factor as f
    cross join priors as pr
),
by_vehicle as (
    select level, vehicle, (sum(r) / count(*))::bigint as r
    from rows_in
    where level is not null
    group by level, vehicle
),
by_level as (select level, sum(r) as total, count(*) as vehicles from by_vehicle group by level),
effects as (
    select
        v.level, v.vehicle, case when f.name = 'driver' then pr.clip else pr.effect_most end as most,
        greatest(-most, least(most, (l.total - v.r) / 1e6 / (l.vehicles - 1 + pr.effect_weight))) as effect
    from by_vehicle as v
    join by_level as l using (level)
    cross join priors as pr
    cross join factor as f
    where l.vehicles > pr.effect_least
)

select h.* exclude (level, r, sigma) replace (h.x - coalesce(e.effect, 0) * h.sigma as x)
from rows_in as h
left join effects as e using (level, vehicle)
