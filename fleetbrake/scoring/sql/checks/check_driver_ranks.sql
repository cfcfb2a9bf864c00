-- Driver ranks run from 1 to n without ties, one row a driver.
select count(*) as drivers, count(distinct driver_id) as different, count(distinct rank) as ranks, max(rank) as last_rank
from mart_driver_style
having count(*) <> count(distinct rank) or count(*) <> count(distinct driver_id) or coalesce(max(rank), 0) <> count(*)
