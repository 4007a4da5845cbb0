-- One row a build of the product: one `build`; several `builds`
-- (a list in JSON); those that are held, so many `newest` that
-- were measured and those opened since; else all.
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
since as (
    select min(opened_at) as opened_at
    from (
        select opened_at
        from build
        where
            product = $product
            and build in (
                select run.build
                from run
                where run.product = $product and run.kind = 'unit'
            )
        order by opened_at desc, build desc
        limit coalesce(cast($newest as bigint), 0)
    ) as recent
),
asked as (
    select build.build, build.planned_units, build.opened_at, held.open_holds
    from build
    left join held on held.build = build.build
    cross join since
    where
        build.product = $product
        and (cast($build as text) is null or build.build = cast($build as text))
        and (
            cast($builds as text) is null
            or build.build in (select unnest(from_json(cast($builds as text), '["varchar"]')))
        )
        and (
            cast($newest as bigint) is null
            or held.open_holds is not null
            or since.opened_at is null
            or build.opened_at >= since.opened_at
        )
),
first_result as (
    select
        build,
        serial,
        bool_and(verdict in ('conforming', 'like known-good')) as passed,
        bool_or(verdict <> 'not judged') as judged
    from judged_result
    where
        product = $product
        and kind = 'unit'
        and repeat = 0
        and (
            (
                cast($build as text) is null
                and cast($builds as text) is null
                and cast($newest as bigint) is null
            )
            or build in (select asked.build from asked)
        )
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
        and (cast($build as text) is null or check_result.build = cast($build as text))
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
    where
        product = $product
        and kind = 'unit'
        and (cast($build as text) is null or build = cast($build as text))
        and (
            (cast($builds as text) is null and cast($newest as bigint) is null)
            or build in (select asked.build from asked)
        )
    group by build
)
select
    asked.build,
    asked.planned_units,
    asked.opened_at,
    coalesce(measured.units, 0) as units,
    yield.first_pass_yield,
    case when asked.open_holds is null then 'open' else 'held' end as state,
    coalesce(asked.open_holds, 0) as open_holds,
    measured.last_run_at
from asked
left join measured on measured.build = asked.build
left join yield on yield.build = asked.build
order by asked.opened_at, asked.build;
