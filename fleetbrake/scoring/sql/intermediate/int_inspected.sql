-- Grain: one row a vehicle and day of inspection that says anything: what was found, in the words of the indicators, and
-- where. A finding without a severity needs repair (2); codes that no indicator has are "other".
with
indicators_in as (select distinct indicator from indicator_priors),
entries as (
    select
        i.vehicle_id, i.inspected_on, nullif(i.wheel, '') as wheel,
        case when i.finding <> 'none' then coalesce(n.indicator, 'other') end as finding,
        case when i.finding = 'none' then coalesce(i.severity, 0) else coalesce(i.severity, 2) end as severity
    from inspections as i
    left join indicators_in as n on n.indicator = i.finding
    where i.finding is not null or i.severity is not null
)

select
    vehicle_id, inspected_on, max(severity) as severity,
    string_agg(distinct finding, '+' order by finding) filter (severity >= 2) as defects,
    string_agg(distinct wheel, '+' order by wheel) filter (severity >= 2) as wheels,
    string_agg(distinct finding, '+' order by finding) filter (severity = 1) as minor,
    string_agg(distinct wheel, '+' order by wheel) filter (severity = 1) as minor_wheels
from entries
group by all
