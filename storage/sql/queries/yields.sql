-- One row a build of the product, one `build` or all: of the units of which any range
-- was judged, the share whose every range is conforming or like known-good and whose checks beside them
-- passed. first_pass_yield is of first results, as `builds` has it, final_yield of the
-- latest. reworked: units that were reworked.
with placed as (
    select
        build,
        serial,
        repeat,
        verdict,
        row_number() over (partition by serial, range order by number desc) as newest
    from judged_result
    where
        product = $product
        and kind = 'unit'
        and (cast($build as text) is null or build = cast($build as text))
),
judged as (
    select
        build,
        serial,
        bool_or(verdict <> 'not judged') filter (where repeat = 0) as judged_at_first,
        bool_and(verdict in ('conforming', 'like known-good'))
            filter (where repeat = 0) as first_pass,
        bool_and(verdict in ('conforming', 'like known-good'))
            filter (where newest = 1) as final
    from placed
    group by build, serial
    having bool_or(verdict <> 'not judged')
),
checked as (
    select
        check_result.serial,
        check_result.verdict = 'nonconforming' as failed,
        run.rerun_of is null as at_first,
        row_number() over (
            partition by check_result.serial, check_result.name
            order by check_result.number desc
        ) as newest
    from check_result
    join run on run.run = check_result.run
    where
        check_result.product = $product
        and (cast($build as text) is null or check_result.build = cast($build as text))
),
failed as (
    select
        serial,
        bool_or(at_first) as at_first,
        bool_or(newest = 1) as at_last
    from checked
    where failed
    group by serial
)
select
    judged.build,
    count(*) as units,
    avg(
        case
            when not judged.judged_at_first then null
            when judged.first_pass and not coalesce(failed.at_first, false) then 1.0
            else 0.0
        end
    ) as first_pass_yield,
    avg(
        case
            when judged.final and not coalesce(failed.at_last, false) then 1.0
            else 0.0
        end
    ) as final_yield,
    count(touched.serial) as reworked
from judged
left join failed on failed.serial = judged.serial
left join (select distinct serial from rework) as touched
    on touched.serial = judged.serial
group by judged.build
order by judged.build;
