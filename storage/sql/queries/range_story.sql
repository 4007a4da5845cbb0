-- One row a stretch of builds that follow each other, at most `most` of them: how one
-- range of the product read in each, of the units' latest results as they were judged
-- last. Of few builds each is a stretch of its own.
-- first_build, last_build and since, until: its ends, by when builds were opened.
-- low_ppm and high_ppm are the farthest units, low_mean_ppm and high_mean_ppm the
-- farthest means of builds. s_ppm: of units inside their builds; null where none has two.
-- Means and s_ppm are rounded to a millionth of a ppm.
with measured_again as (
    select serial, max(repeat) as repeat
    from range_result
    where kind = 'unit' and product = $product and range = $range and repeat > 0
    group by serial
),
of_build as (
    select
        build,
        count(*) as units,
        avg(error_ppm) as mean_ppm,
        var_samp(error_ppm) as variance_ppm2,
        min(error_ppm) as low_ppm,
        max(error_ppm) as high_ppm,
        max(limit_ppm) as limit_ppm,
        count(case when verdict in ('nonconforming', 'changed') then 1 end) as outside
    from judged_result
    left join measured_again on measured_again.serial = judged_result.serial
    where
        judged_result.kind = 'unit'
        and judged_result.product = $product
        and judged_result.range = $range
        and judged_result.repeat = coalesce(measured_again.repeat, 0)
    group by build
),
placed as (
    select
        of_build.*,
        build.opened_at,
        ntile(cast($most as integer)) over (order by build.opened_at, build.build)
            as stretch
    from of_build
    join build on build.build = of_build.build
)
select
    stretch,
    count(*) as builds,
    cast(sum(units) as bigint) as units,
    arg_min(build, (opened_at, build)) as first_build,
    arg_max(build, (opened_at, build)) as last_build,
    min(opened_at) as since,
    max(opened_at) as until,
    round(sum(mean_ppm * units) / sum(units), 6) as mean_ppm,
    round(min(mean_ppm), 6) as low_mean_ppm,
    round(max(mean_ppm), 6) as high_mean_ppm,
    round(sqrt(
        sum(case when units > 1 then variance_ppm2 * (units - 1) end)
        / sum(case when units > 1 then units - 1 end)
    ), 6) as s_ppm,
    min(low_ppm) as low_ppm,
    max(high_ppm) as high_ppm,
    max(limit_ppm) as limit_ppm,
    cast(sum(outside) as bigint) as outside
from placed
group by stretch
order by stretch;
