-- Grain: one row a driver and chosen application, at most three to talk about and one that went well: those nearest to
-- the median of the driver's own of that kind, so that they are typical, not the worst; from different days where there
-- are such. of_kind and the next: how many of the driver's stood out, and by what (some by several). distance: mean square of the differences in half widths, over what is known of the event.
with
events_in as (select * from int_coaching_events where hard or late or sudden or gentle),
kinds as (select *, not (hard or late or sudden) as well from events_in),
middle as (
    select
        driver_id, well, median(decel) as decel, median(jerk) as jerk, median(late_share) as late_share,
        count(*) as n, count_if(hard) as n_hard, count_if(late) as n_late, count_if(sudden) as n_sudden
    from kinds
    group by all
),
apart as (
    select
        k.*, m.n as of_kind, m.n_hard, m.n_late, m.n_sudden,
        list_avg(list_filter(list_value(
            ((k.decel - m.decel) / k.decel_width) ^ 2, ((k.jerk - m.jerk) / k.jerk_width) ^ 2,
            ((k.late_share - m.late_share) / k.late_width) ^ 2), lambda x: x is not null)) as distance
    from kinds as k
    join middle as m using (driver_id, well)
),
by_day as (
    select
        *, row_number() over (
            partition by driver_id, well, on_day order by round(distance, 9) nulls last, event_id) as of_day
    from apart
)

select *, row_number() over (
    partition by driver_id, well order by of_day, round(distance, 9) nulls last, event_id) as place
from by_day
qualify place <= case when well then 1 else 3 end
