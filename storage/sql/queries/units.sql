-- One row a unit of the product, measured or not.
select serial, build
from unit
where product = $product
order by build, length(serial), serial;
