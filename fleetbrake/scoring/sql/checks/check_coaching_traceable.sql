-- Every application named in the coaching table is one of that driver's, asked for by the driver; places run from 1 on.
select c.driver_id, c.position, c.event_id
from mart_driver_coaching as c
left join stg_events as e on e.event_id = c.event_id and e.driver_id = c.driver_id and e.by_driver
where c.event_id is not null and e.event_id is null
union all
select driver_id, max(position), null
from mart_driver_coaching
group by driver_id
having max(position) <> count(*) or count(distinct position) <> count(*)
