-- One row: how many builds of the product were opened.
select count(*) as builds
from build
where product = $product;
