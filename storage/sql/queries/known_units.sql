-- One row: how many units of the product are known, measured or not.
select count(*) as units
from unit
where product = $product;
