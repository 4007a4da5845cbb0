-- One row an instrument type.
select product, title
from product
order by product;
