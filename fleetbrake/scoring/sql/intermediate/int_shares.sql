-- Grain: one row a share observation that counts (after the last restart).
with
observations as (
    select * from obs_lockup
    union all by name select * from obs_light_modulation
    union all by name select * from obs_dropout
),
restarts as (select * from stg_restarts)

select * from observations as o
where not exists (
    select 1 from restarts as r
    where r.vehicle_id = o.vehicle_id and r.indicator = o.indicator and o.on_day <= r.restart_on
        and (r.wheel = '' or o.wheel = '' or left(r.wheel, 1) = left(o.wheel, 1))
)
