-- One row: how many units of the product were measured; one that is known and waits for
-- its first run does not count.
select count(distinct serial) as units
from run
where product = $product and kind = 'unit';
