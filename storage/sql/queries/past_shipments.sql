-- One row a delivery of units without serials: how many of a build, and when.
select past_shipment, build, units, destination, person, shipped_at
from past_shipment
where product = $product
order by shipped_at, past_shipment;
