-- Grain: one row a vehicle with findings of its recordings that an inspection did not bear out: which, in a sentence.
with
named as (
    select
        vehicle_id, answered_on, max(trips_again) as trips_again,
        string_agg(
            distinct replace(indicator, '_', ' ') || case when wheel = '' then '' else ' of wheel ' || wheel end, ', '
        ) as found
    from int_answered
    group by vehicle_id, answered_on
)

select
    n.vehicle_id,
    string_agg(format(
        'Until the inspection of {} the recordings showed {}, which it did not find; seen again on {} trip{} since, '
        '{:.0f} bring it back.',
        n.answered_on, list_aggregate(list_sort(string_split(n.found, ', ')), 'string_agg', ', '), n.trips_again,
        case when n.trips_again = 1 then '' else 's' end, pr.persist_least), ' ' order by n.answered_on) as told
from named as n
cross join priors as pr
group by n.vehicle_id
