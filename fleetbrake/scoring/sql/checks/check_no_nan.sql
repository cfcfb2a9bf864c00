-- What could not be observed is NULL, never a number that is none.
select vehicle_id from mart_indicators
where not coalesce(isfinite(value), true) or not coalesce(isfinite(expected), true)
    or not coalesce(isfinite(deviation), true) or not coalesce(isfinite(trend_per_30d), true)
    or not coalesce(isfinite(trend_se_per_30d), true) or not coalesce(isfinite(detection_limit), true)
union all
select vehicle_id from mart_indicator_trips where not coalesce(isfinite(value), true)
