-- Grain: one row a series (vehicle, indicator, measure, wheel): what it shows, whichever kind it is.
-- persisted: trips that carry the finding; for a level those of now beyond half the way from what was expected.
with
carried as (
    select l.series, count(distinct l.cluster) as trips
    from int_levels as l
    join int_level_findings as f using (series)
    where l.seq > f.split and abs(l.x - f.then_expected) >= abs(f.now - f.then_expected) / 2
        and sign(l.x - f.then_expected) = sign(f.now - f.then_expected)
    group by l.series
)

select f.* exclude (series), 'level' as kind, coalesce(c.trips, 0) as persisted
from int_level_findings as f
left join carried as c using (series)
union all by name
select *, 'share' as kind, hit_trips as persisted
from int_share_findings
