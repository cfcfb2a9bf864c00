-- Grain: one row a brake application: warmed_k, how much hotter than the surroundings its brakes were when it began, and
-- gain_k, what it added (K). A lumped heat balance of each vehicle: every application warms the iron of all brakes at
-- once by heat_share * heat / (iron * specific heat) (bulk rise, standards sheet section 9, verified), and what is there
-- falls off with the time constant cooling_s. Only recorded applications are in it: hotter is possible, never colder.
-- Closed form of that recursion: within a chain T(t) = exp(-t / tau) * sum of gain * exp(t_j / tau). A chain ends where
-- nothing is left (cooling_cut time constants); a longer one is worked in parts of 300 of them, so that the exponential
-- cannot overflow, each with what the part before left (of earlier ones exp(-300): nothing).
with
events_in as (
    select
        e.event, e.vehicle, epoch(e.started_at) / pr.cooling_s as t,
        coalesce(greatest(e.heat_kj_per_t, 0), 0)
            * pr.heat_share / (pr.brake_iron_kg_per_t * pr.iron_heat_kj_per_kg_k) as gain_k,
        pr.cooling_cut
    from stg_events as e
    cross join priors as pr
),
gaps as (
    select
        *, case when t - lag(t) over by_vehicle <= cooling_cut then 0 else 1 end as begins
    from events_in
    window by_vehicle as (partition by vehicle order by event)
),
chains as (
    select *, sum(begins) over (partition by vehicle order by event rows unbounded preceding) as chain
    from gaps
),
placed as (
    select *, t - min(t) over (partition by vehicle, chain) as since
    from chains
),
parts as (
    select *, floor(since / 300)::bigint as part, since - 300 * floor(since / 300) as inside
    from placed
),
left_over as (
    select vehicle, chain, part + 1 as part, sum(gain_k * exp(inside - 300)) as gain_k
    from parts
    group by all
)

select
    p.event,
    p.vehicle,
    p.gain_k,
    -- rounded: how a long sum is split must not show
    round(exp(-p.inside) * (coalesce(l.gain_k, 0) + coalesce(sum(p.gain_k * exp(p.inside)) over (
        partition by p.vehicle, p.chain, p.part order by p.event
        rows between unbounded preceding and 1 preceding), 0)), 6) as warmed_k
from parts as p
left join left_over as l using (vehicle, chain, part)
