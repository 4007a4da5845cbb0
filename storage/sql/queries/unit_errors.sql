-- One row a range of a run of a unit of the product: what its scatter is worked out of.
select build, serial, range, error_ppm, limit_ppm, points
from range_result
where product = $product and kind = 'unit'
order by number, place;
