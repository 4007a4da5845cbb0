-- One row a thing that was done to a unit of the product; only the columns of its
-- kind are set.
select rework.*, unit.build
from rework
join unit on unit.serial = rework.serial
where rework.product = $product
order by rework.reworked_at, rework.rework;
