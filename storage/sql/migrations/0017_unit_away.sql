-- A unit that has left and did not come back since.
create view unit_away as
select distinct shipment.product, shipment.serial
from shipment
where not exists (
    select 1
    from unit_return
    where
        unit_return.serial = shipment.serial
        and unit_return.product = shipment.product
        and unit_return.returned_at >= shipment.shipped_at
);
