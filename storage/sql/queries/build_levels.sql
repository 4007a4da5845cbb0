-- One row a build and range of the product, of its latest results as they were judged
-- last: how many units, their mean and how they scatter; of so many `newest` builds that
-- were measured, of those up to `build` where one is named, else of all.
-- outside: units that are nonconforming or changed. s_ppm is null of one unit.
with asked as (
    select build.build, build.opened_at
    from build
    where
        build.product = $product
        and build.build in (
            select run.build from run where run.product = $product and run.kind = 'unit'
        )
        and (
            cast($build as text) is null
            or (build.opened_at, build.build) <= (
                select (named.opened_at, named.build)
                from build as named
                where named.build = cast($build as text)
            )
        )
    order by build.opened_at desc, build.build desc
    limit coalesce(cast($newest as bigint), 9223372036854775807)
),
latest as (
    select build, serial, range, max(number) as number
    from range_result
    where
        kind = 'unit'
        and product = $product
        and build in (select asked.build from asked)
    group by build, serial, range
)
select
    latest.build,
    latest.range,
    asked.opened_at,
    count(*) as units,
    avg(judged_result.error_ppm) as mean_ppm,
    stddev_samp(judged_result.error_ppm) as s_ppm,
    min(judged_result.error_ppm) as low_ppm,
    max(judged_result.error_ppm) as high_ppm,
    max(judged_result.limit_ppm) as limit_ppm,
    count(case when judged_result.verdict in ('nonconforming', 'changed') then 1 end)
        as outside
from latest
join asked on asked.build = latest.build
join judged_result
    on judged_result.number = latest.number and judged_result.range = latest.range
group by latest.build, latest.range, asked.opened_at
order by asked.opened_at, latest.build, latest.range;
