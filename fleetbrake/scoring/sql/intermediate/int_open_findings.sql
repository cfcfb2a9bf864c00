-- Grain: one row a vehicle with a finding of an inspection or a failed brake test that nothing has answered yet.
-- What answers: a repair of the same wheel (or of none that is named) whose work puts such a finding right, on a later
-- day, or after an inspection on its own day; a later inspection of that wheel or the vehicle without a finding; a later
-- passed test that measured it there. What happened on the day of a failed test may have come before it.
-- severity and told: of the worst, the newest of equals. These come first whatever the recordings say.
with
tests_in as (select * from stg_brake_tests),
found as (
    select vehicle_id, finding, wheel, severity, inspected_on as found_on, 0 as from_days_on, null as method,
        format('an inspection of {} that found {}', inspected_on, coalesce(note, replace(finding, '_', ' ')))
            || case when wheel = '' then '' else format(' (wheel {})', wheel) end as told
    from stg_inspections
    where severity >= 2
    union all
    select vehicle_id, indicator, wheel, severity, tested_on, 1, method,
        format('a failed brake test of {}: {}{} {:.0f} % where {} {:.0f} %', tested_on,
            case indicator when 'low_brake_effectiveness' then 'braking rate' when 'side_imbalance' then 'imbalance'
                else 'residual drag' end,
            case when part_axles is not null then format(' of the axles tested ({})', part_axles)
                when wheel <> '' then format(' (wheel {})', wheel) else '' end,
            100 * value, case when part_axles is null then 'the limit is' else 'half the limit is' end, 100 * value_limit)
    from tests_in
    where verdict = 'failed'
),
repaired as (
    select r.vehicle_id, a.finding, coalesce(r.wheel, '') as wheel, r.repaired_on
    from repairs as r join answers as a on a.work = r.work cross join run
    where r.repaired_on <= run.known_on
),
clean as (select vehicle_id, wheel, max(inspected_on) as clean_on from stg_inspections where clean group by all),
passed as (
    select
        t.vehicle_id, t.indicator, t.tested_on, t.wheel, t.method,
        -- a finding that names no wheel may be at any: all of the vehicle's have to pass
        count_if(t.verdict = 'passed') over a_test
            >= case t.indicator when 'side_imbalance' then 1 when 'brake_drag' then 2 end * coalesce(v.axles, 2) as of_all
    from tests_in as t
    join stg_vehicles as v using (vehicle_id)
    window a_test as (partition by t.vehicle_id, t.tested_on, t.method, t.indicator)
    qualify t.verdict = 'passed' and not bool_or(t.verdict = 'failed' and t.wheel = '') over a_test
)

select f.vehicle_id, f.severity, f.from_days_on = 1 as tested, f.found_on, f.told
from found as f
where not exists (
        select 1 from repaired as r
        where r.vehicle_id = f.vehicle_id and r.finding = f.finding and r.repaired_on >= f.found_on + f.from_days_on
            -- a vehicle that failed as a whole is not put right at one wheel
            and (r.wheel = '' or f.wheel = '' and f.method is null or r.wheel = f.wheel)
    ) and not exists (
        select 1 from clean as c
        where c.vehicle_id = f.vehicle_id and c.clean_on > f.found_on and c.wheel in ('', f.wheel)
    ) and not exists (
        select 1 from passed as p
        where p.vehicle_id = f.vehicle_id and p.indicator = f.finding and p.tested_on > f.found_on
            and p.method = coalesce(f.method, p.method)
            and case
                when f.wheel = '' then p.wheel = '' or p.of_all
                -- both wheels of the axle make its imbalance; a braking rate of the whole says little of one wheel
                when f.finding = 'side_imbalance' then left(p.wheel, 1) = left(f.wheel, 1)
                else p.wheel = f.wheel
            end
    )
qualify row_number() over (partition by f.vehicle_id order by f.severity desc, tested desc, f.found_on desc, f.told desc) = 1
