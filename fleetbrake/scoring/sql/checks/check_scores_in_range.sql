-- Scores lie between 0 and 100 and inside their interval; without too few events or trips there is one where the
-- priority says that nothing was found, and none where it says that there is too little evidence.
select vehicle_id from mart_vehicle_health
where (health_score is not null
    and (events_used < (select least_events from priors) or trips_used < (select persist_least from priors)))
    or (priority = 'no_sign' and health_score is null)
    or (priority = 'too_little_evidence' and health_score is not null)
    or not coalesce(0 <= score_low and score_low <= health_score and health_score <= score_high and score_high <= 100, true)
union all
select driver_id from mart_driver_style
where not coalesce(0 <= score_low and score_low <= style_score and style_score <= score_high and score_high <= 100, true)
