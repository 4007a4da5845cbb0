-- One row a unit of the product that left and did not come back since.
select distinct shipment.serial
from shipment
where
    shipment.product = $product
    and not exists (
        select 1
        from unit_return
        where
            unit_return.serial = shipment.serial
            and unit_return.product = shipment.product
            and unit_return.returned_at >= shipment.shipped_at
    )
order by shipment.serial;
