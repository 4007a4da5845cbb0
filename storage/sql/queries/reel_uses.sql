-- One row each time a reel was fitted, whatever the product.
select fitting, product, build, part, from_serial, fitted_at
from fitting
where reel = $reel
order by fitted_at, fitting;
