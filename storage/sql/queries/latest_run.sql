-- One row: the product's highest run number, 0 for none.
select coalesce(max(number), 0) as number
from run
where product = $product;
