-- One row a fitting of the product, of those recorded when run `after` was there.
select
    fitting.fitting,
    fitting.product,
    fitting.build,
    fitting.part,
    fitting.reel,
    fitting.from_serial,
    fitting.fitted_at
from fitting
where product = $product and coalesce(after_number, 0) >= $after
order by fitted_at, fitting;
