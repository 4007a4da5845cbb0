-- One row a unit and range: its latest result, as it was judged last; of one `build`, of
-- several `builds` (a list in JSON), of one `serial`, of so many `newest` builds that were
-- measured, else of all. position: the unit's place in its build by its first run, from 1.
-- reruns: how many results of this range the unit had before.
with recent as (
    select build
    from build
    where
        product = $product
        and build in (
            select run.build from run where run.product = $product and run.kind = 'unit'
        )
    order by opened_at desc, build desc
    limit coalesce(cast($newest as bigint), 0)
),
latest as (
    select serial, build, range, max(number) as number
    from range_result
    where
        kind = 'unit'
        and product = $product
        and (cast($build as text) is null or build = cast($build as text))
        and (
            cast($builds as text) is null
            or build in (select unnest(from_json(cast($builds as text), '["varchar"]')))
        )
        and (cast($serial as text) is null or serial = cast($serial as text))
        and (
            cast($newest as bigint) is null
            or build in (select recent.build from recent)
        )
    group by serial, build, range
),
-- A place counts the units before it: all of the build are read, whoever is asked for.
first_run as (
    select serial, build, min(number) as number
    from run
    where
        product = $product
        and kind = 'unit'
        and (cast($build as text) is null or build = cast($build as text))
        and (
            cast($builds as text) is null
            or build in (select unnest(from_json(cast($builds as text), '["varchar"]')))
        )
        and (
            cast($serial as text) is null
            or build = (select unit.build from unit where unit.serial = $serial)
        )
        and (
            cast($newest as bigint) is null
            or build in (select recent.build from recent)
        )
    group by serial, build
),
placed as (
    select
        serial,
        row_number() over (partition by build order by number) as position
    from first_run
)
select
    latest.number,
    range_result.run,
    latest.serial,
    latest.build,
    placed.position,
    range_result.started_at,
    run.session,
    latest.range,
    coalesce(rejudgement.error_ppm, range_result.error_ppm) as error_ppm,
    coalesce(rejudgement.uncertainty_ppm, range_result.uncertainty_ppm)
        as uncertainty_ppm,
    range_result.limit_ppm,
    coalesce(rejudgement.verdict, range_result.verdict) as verdict,
    range_result.repeat as reruns,
    coalesce(rejudgement.points, range_result.points) as points
from latest
join
    range_result
    on range_result.number = latest.number and range_result.range = latest.range
left join rejudgement
    on rejudgement.run = range_result.run and rejudgement.range = range_result.range
join run on run.number = latest.number
join placed on placed.serial = latest.serial
order by latest.number, range_result.place;
