-- One row a build of the product.
-- units: how many were measured. first_pass_yield: of the units of which any range
-- was judged, the share whose every range, at its first result as it was judged last,
-- was conforming or like known-good and whose checks beside them passed. state: held
-- while an open hold stands on the build, on a reel fitted in it or on any of its units
-- or serials.
with held as (
    select build, count(*) as open_holds
    from hold_on_build
    group by build
),
first_result as (
    select
        build,
        serial,
        bool_and(verdict in ('conforming', 'like known-good')) as passed,
        bool_or(verdict <> 'not judged') as judged
    from judged_result
    where product = $product and kind = 'unit' and repeat = 0
    group by build, serial
),
failed_check as (
    select distinct check_result.serial
    from check_result
    join run on run.run = check_result.run
    where
        check_result.product = $product
        and check_result.verdict = 'nonconforming'
        and run.rerun_of is null
),
yield as (
    select
        build,
        avg(cast(case when passed and failed_check.serial is null then 1 else 0 end as double precision))
            as first_pass_yield
    from first_result
    left join failed_check on failed_check.serial = first_result.serial
    where judged
    group by build
),
measured as (
    select build, count(distinct serial) as units, max(started_at) as last_run_at
    from run
    where product = $product and kind = 'unit'
    group by build
)
select
    build.build,
    build.planned_units,
    build.opened_at,
    coalesce(measured.units, 0) as units,
    yield.first_pass_yield,
    case when held.open_holds is null then 'open' else 'held' end as state,
    coalesce(held.open_holds, 0) as open_holds,
    measured.last_run_at
from build
left join measured on measured.build = build.build
left join yield on yield.build = build.build
left join held on held.build = build.build
where build.product = $product
order by build.opened_at, build.build;
