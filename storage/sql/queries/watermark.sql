-- One row: the product's runs are evaluated up to this number, 0 for none.
select coalesce(max(number), 0) as number
from watermark
where product = $product;
