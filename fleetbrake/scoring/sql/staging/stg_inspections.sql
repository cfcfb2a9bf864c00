-- Grain: one row a finding of an inspection that is known (run.known_on); a visit may have several.
-- finding: an indicator, other (also where nothing was named), or none. severity: as entered; a finding without one needs
-- repair (2) until somebody says else. clean: nothing was found, and by no other row of that day either. Rows that name
-- neither a finding nor a severity say nothing and are left out. wheel: '' where the whole vehicle is meant.
with
inspections_in as (
    select i.* from inspections as i, run where i.vehicle_id is not null and i.inspected_on <= run.known_on
),
codes as (select distinct indicator from indicator_priors),
named as (
    select
        i.vehicle_id, i.inspected_on, coalesce(i.wheel, '') as wheel, nullif(i.note, '') as note,
        case
            when i.finding = 'none' and coalesce(i.severity, 0) < 2 then 'none'
            when i.finding is null and i.severity is null then null
            when i.finding is null and i.severity < 2 then 'none'
            else coalesce(c.indicator, 'other')
        end as finding,
        coalesce(i.severity, 2) as severity_if_found
    from inspections_in as i
    left join codes as c on c.indicator = i.finding
),
findings as (
    select *, case when finding = 'none' then 0 else severity_if_found end as severity
    from named
    where finding is not null
)

select
    vehicle_id, inspected_on, finding, wheel, severity, note,
    finding = 'none' and not bool_or(severity >= 2) over (partition by vehicle_id, inspected_on) as clean
from findings
