-- One row: the number of the product's latest run of a check standard that conforms on
-- every range, of those numbered below `before`, else of all; 0 for none.
select coalesce(max(number), 0) as number
from (
    select number
    from range_result
    where
        product = $product
        and kind = 'check'
        and (cast($before as bigint) is null or number < cast($before as bigint))
    group by number
    having bool_and(verdict = 'conforming')
) as good;
