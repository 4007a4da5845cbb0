-- One row a range of a unit's run that a check closed, of the checks numbered above
-- `after`, and up to `until`. The columns `first_` are as it was judged at first; `latest` says whether
-- the unit has no later result of this range. With `changed` those alone that have
-- another verdict than at first.
with closing as materialized (
    select run as check_run, number as check_number
    from run
    where
        kind = 'check'
        and number > $after
        and (cast($until as bigint) is null or number <= cast($until as bigint))
),
closed as materialized (
    select *
    from rejudgement
    where check_run in (select closing.check_run from closing)
),
-- Their numbers: results are found by number in no time, by run in a scan of all.
numbered as materialized (
    select run, number
    from run
    where run in (select closed.run from closed)
),
found as (
    select
        range_result.number,
        range_result.place,
        range_result.run,
        range_result.serial,
        range_result.build,
        range_result.range,
        closed.check_run,
        closing.check_number,
        closed.drift_ppm,
        range_result.error_ppm as first_error_ppm,
        range_result.uncertainty_ppm as first_uncertainty_ppm,
        range_result.verdict as first_verdict,
        closed.error_ppm,
        closed.uncertainty_ppm,
        closed.verdict,
        closed.conformance_probability,
        range_result.limit_ppm,
        closed.made_at
    from closed
    join closing on closing.check_run = closed.check_run
    join numbered on numbered.run = closed.run
    join
        range_result
        on range_result.number = numbered.number and range_result.range = closed.range
    where
        range_result.product = $product
        and (
            cast($changed as boolean) is null
            or cast($changed as boolean) = (closed.verdict <> range_result.verdict)
        )
),
-- Of the units that were judged again alone, not of all.
counting as (
    select serial, range, max(number) as number
    from range_result
    where kind = 'unit' and serial in (select found.serial from found)
    group by serial, range
)
select
    found.number,
    found.run,
    found.serial,
    found.build,
    found.range,
    found.check_run,
    found.check_number,
    found.drift_ppm,
    found.first_error_ppm,
    found.first_uncertainty_ppm,
    found.first_verdict,
    found.error_ppm,
    found.uncertainty_ppm,
    found.verdict,
    found.conformance_probability,
    found.limit_ppm,
    found.made_at,
    counting.number = found.number as latest
from found
join counting on counting.serial = found.serial and counting.range = found.range
order by found.check_number, found.number, found.place;
