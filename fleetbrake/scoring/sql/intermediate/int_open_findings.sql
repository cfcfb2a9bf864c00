-- Grain: one row a vehicle with a finding of an inspection or a failed brake test that nothing has answered yet: no
-- repair of that kind of work on or after its day, no later inspection without a finding, no later passed test.
-- severity and told: of the worst, the newest of equals. These come first whatever the recordings say.
with
found as (
    select i.vehicle_id, i.finding as indicator, coalesce(i.wheel, '') as wheel, i.severity, i.inspected_on as found_on,
        format('an inspection of {} that found {}', i.inspected_on, coalesce(nullif(i.note, ''), i.finding)) as told
    from inspections as i, run
    where i.severity >= 2 and i.finding <> 'none' and i.inspected_on <= run.as_of
    union all
    select vehicle_id, indicator, wheel, severity, tested_on,
        format('a failed brake test of {}: {} {:.0f} % where the limit is {:.0f} %', tested_on,
            case indicator when 'low_brake_effectiveness' then 'braking rate' when 'side_imbalance' then 'imbalance'
                else 'residual drag' end, 100 * value, 100 * value_limit)
    from stg_brake_tests
    where verdict = 'failed'
),
answers as (
    select r.vehicle_id, s.indicator, coalesce(r.wheel, '') as wheel, r.repaired_on as answered_on
    from repairs as r join repair_scope as s on s.work = coalesce(r.work, 'other') cross join run
    where r.repaired_on <= run.as_of
    union all
    select r.vehicle_id, 'other', coalesce(r.wheel, ''), r.repaired_on from repairs as r, run where r.repaired_on <= run.as_of
    union all
    select t.vehicle_id, t.indicator, t.wheel, t.tested_on from stg_brake_tests as t where t.verdict = 'passed'
),
clean as (
    select i.vehicle_id, max(i.inspected_on) as clean_on
    from inspections as i, run
    where i.finding = 'none' and i.inspected_on <= run.as_of
    group by i.vehicle_id
),
open_ones as (
    select f.*
    from found as f
    left join clean as c using (vehicle_id)
    where coalesce(c.clean_on <= f.found_on, true) and not exists (
        select 1 from answers as a
        where a.vehicle_id = f.vehicle_id and a.indicator = f.indicator
            and (a.wheel = '' or f.wheel = '' or left(a.wheel, 1) = left(f.wheel, 1))
            and a.answered_on >= f.found_on
            -- a test of the same day is the one that failed
            and (a.answered_on > f.found_on or exists (
                select 1 from repairs as r where r.vehicle_id = f.vehicle_id and r.repaired_on = f.found_on))
    )
)

select vehicle_id, severity, found_on, told
from open_ones
qualify row_number() over (partition by vehicle_id order by severity desc, found_on desc, told desc) = 1
