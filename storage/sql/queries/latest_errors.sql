-- One row a unit and range: its latest result, as it was judged last. position: the
-- unit's place in its build by its first run, from 1. reruns: how many results of this
-- range the unit had before.
with latest as (
    select serial, range, max(number) as number
    from range_result
    where product = $product and kind = 'unit'
    group by serial, range
),
first_run as (
    select serial, build, min(number) as number
    from run
    where product = $product and kind = 'unit'
    group by serial, build
),
placed as (
    select
        serial,
        row_number() over (partition by build order by number) as position
    from first_run
)
select
    range_result.number,
    range_result.run,
    range_result.serial,
    range_result.build,
    placed.position,
    range_result.started_at,
    run.session,
    range_result.range,
    coalesce(rejudgement.error_ppm, range_result.error_ppm) as error_ppm,
    coalesce(rejudgement.uncertainty_ppm, range_result.uncertainty_ppm)
        as uncertainty_ppm,
    range_result.limit_ppm,
    coalesce(rejudgement.verdict, range_result.verdict) as verdict,
    range_result.repeat as reruns
from latest
join
    range_result
    on range_result.number = latest.number and range_result.range = latest.range
left join
    rejudgement
    on rejudgement.run = range_result.run and rejudgement.range = range_result.range
join run on run.number = latest.number
join placed on placed.serial = latest.serial
order by range_result.number, range_result.place;
