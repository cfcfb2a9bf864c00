-- Grain: one row a driver and thing to talk about: up to three typical applications, then up to two that went
-- well: figures first, else a gentle stop. Units: as the sentence says; value and usual in the same.
with
picks as (
    select
        *, case when well then 'gentle_stop' when hard then 'hard_stop' when late then 'late_braking' else 'build_up'
        end as subject,
        format('{} from {:.0f} km/h', strftime(on_day, '%-d %b %Y'), 3.6 * initial_speed_mps) as opening
    from int_coaching_picks
),
told as (
    select
        driver_id, 'talk_about' as kind, place, event_id, subject,
        case subject when 'late_braking' then late_share when 'build_up' then jerk else decel end as value,
        case subject when 'late_braking' then usual_late when 'build_up' then usual_jerk else usual_decel end as usual,
        case subject
            when 'hard_stop' then format('deceleration up to {:.1f} m/s², usual is {:.1f}', decel, usual_decel)
            when 'late_braking' then format('{:.0f} % of the speed came off in the last second, usual is {:.0f} %',
                100 * late_share, 100 * usual_late)
            else format('the deceleration built up by {:.1f} m/s³, usual is {:.1f}', jerk, usual_jerk)
        end as text,
        format('{}: {}. {}', coalesce(opening, strftime(on_day, '%-d %b %Y')), text, case of_kind
            when 1 then 'The only application that was hard, late or sudden.'
            else format(
                'Typical of the {} applications that were hard ({}), late ({}) or sudden ({}).',
                of_kind, n_hard, n_late, n_sudden)
            end) as sentence
    from picks
    where not well
),
well as (
    select driver_id, place, null as event_id, subject, value, usual, sentence from int_coaching_praise where place <= 2
    union all
    select
        driver_id, 3 + place, event_id, subject, decel, usual_decel,
        format('{}: a gentle stop, deceleration up to {:.1f} m/s²; usual is {:.1f}. {}',
            coalesce(opening, strftime(on_day, '%-d %b %Y')), decel, usual_decel,
            case of_kind when 1 then 'The only gentle stop.' else format('One of {} gentle stops.', of_kind) end)
    from picks
    where well
),
both_kinds as (
    select driver_id, kind, place, event_id, subject, value, usual, sentence from told
    union all
    select driver_id, 'went_well', 3 + place, event_id, subject, value, usual, sentence from well
    qualify row_number() over (partition by driver_id order by place) <= 2
)

select
    b.driver_id, run.as_of,
    row_number() over (partition by b.driver_id order by b.place) as position,
    b.kind, b.event_id, b.subject, b.sentence,
    round(b.value, 6) as value, round(b.usual, 6) as usual
from both_kinds as b
cross join run
order by b.driver_id, position
