-- One row: the number of the product's latest run of a check standard up to `until`, 0
-- for none.
select coalesce(max(number), 0) as number
from run
where product = $product and kind = 'check' and number <= $until;
