-- One row a unit of the product in the house, of another build than `build`, the newest
-- first: each of its latest results of before the run `before`, on one `range` or on
-- all, conforms or is like known-good.
with in_house as (
    select unit.serial
    from unit
    where
        unit.product = $product
        and unit.build <> $build
        and unit.serial not in (
            select unit_away.serial from unit_away where unit_away.product = $product
        )
),
latest as (
    select serial, range, max(number) as number
    from range_result
    where
        kind = 'unit'
        and product = $product
        and (cast($range as text) is null or range = cast($range as text))
        and serial in (select in_house.serial from in_house)
    group by serial, range
)
select latest.serial
from latest
join judged_result
    on judged_result.number = latest.number and judged_result.range = latest.range
where latest.number < $before
group by latest.serial
having bool_and(judged_result.verdict in ('conforming', 'like known-good'))
order by max(latest.number) desc;
