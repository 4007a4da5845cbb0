-- One row: how many units of the product were measured.
select count(*) as units
from unit
where product = $product;
