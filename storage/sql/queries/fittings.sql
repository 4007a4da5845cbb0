-- One row each time a reel was fitted to a part of the product.
select fitting, build, part, reel, from_serial, fitted_at
from fitting
where product = $product
order by fitted_at, fitting;
