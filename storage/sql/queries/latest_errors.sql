-- One row a unit and range: its latest result, as it was judged last. position: the
-- unit's place in its build by its first run, from 1. reruns: how many results of this
-- range the unit had before.
with first_run as (
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
    latest_result.number,
    latest_result.run,
    latest_result.serial,
    latest_result.build,
    placed.position,
    latest_result.started_at,
    run.session,
    latest_result.range,
    latest_result.error_ppm,
    latest_result.uncertainty_ppm,
    latest_result.limit_ppm,
    latest_result.verdict,
    latest_result.repeat as reruns
from latest_result
join run on run.number = latest_result.number
join placed on placed.serial = latest_result.serial
where latest_result.product = $product
order by latest_result.number, latest_result.place;
