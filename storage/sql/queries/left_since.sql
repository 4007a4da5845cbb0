-- One row: how many units of the product left after `since`; one that came back counts.
select count(distinct serial) as units
from shipment
where product = $product and shipped_at > $since;
