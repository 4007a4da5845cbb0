-- One row a build of the product: of the units of which any range was judged, the
-- share whose every range is conforming or like known-good. first_pass_yield is of
-- first results, final_yield of the latest. reworked: units that were reworked.
with placed as (
    select
        build,
        serial,
        repeat,
        verdict,
        row_number() over (partition by serial, range order by number desc) as newest
    from judged_result
    where product = $product and kind = 'unit'
),
judged as (
    select
        build,
        serial,
        bool_and(verdict in ('conforming', 'like known-good'))
            filter (where repeat = 0) as first_pass,
        bool_and(verdict in ('conforming', 'like known-good'))
            filter (where newest = 1) as final
    from placed
    group by build, serial
    having bool_or(verdict <> 'not judged')
)
select
    judged.build,
    count(*) as units,
    avg(cast(case when first_pass then 1 else 0 end as double precision))
        as first_pass_yield,
    avg(cast(case when final then 1 else 0 end as double precision)) as final_yield,
    count(touched.serial) as reworked
from judged
left join (select distinct serial from rework) as touched
    on touched.serial = judged.serial
group by judged.build
order by judged.build;
