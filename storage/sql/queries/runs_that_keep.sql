-- One row a run of a unit and doubt that still stands on it, oldest run first, where the
-- run is the unit's latest of any range: such a doubt keeps the unit.
with doubtful as (
    select number, run, serial, build, doubt, reason, raised_at
    from run_in_doubt
    where product = $product and kind = 'unit'
),
counting as (
    select serial, max(number) as number
    from range_result
    where
        kind = 'unit'
        and product = $product
        and serial in (select serial from doubtful)
    group by serial, range
)
select number, run, serial, build, doubt, reason, raised_at
from doubtful
where exists (
    select 1
    from counting
    where counting.serial = doubtful.serial and counting.number = doubtful.number
)
order by number, raised_at, doubt;
