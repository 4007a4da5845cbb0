-- One row each time a unit of the product left, of one `build`, of several `builds`
-- (a list in JSON), of one `serial`, else of all. returned_at, return_reason: when and why
-- it came back from this shipment, null while it is away.
select
    shipment.*,
    unit.build,
    (
        select min(unit_return.returned_at)
        from unit_return
        where unit_return.serial = shipment.serial
            and unit_return.product = shipment.product
            and unit_return.returned_at >= shipment.shipped_at
    ) as returned_at,
    (
        select arg_min(unit_return.reason, unit_return.returned_at)
        from unit_return
        where unit_return.serial = shipment.serial
            and unit_return.product = shipment.product
            and unit_return.returned_at >= shipment.shipped_at
    ) as return_reason
from shipment
join unit on unit.serial = shipment.serial
where
    shipment.product = $product
    and (cast($build as text) is null or unit.build = cast($build as text))
    and (
        cast($builds as text) is null
        or unit.build in (select unnest(from_json(cast($builds as text), '["varchar"]')))
    )
    and (cast($serial as text) is null or shipment.serial = cast($serial as text))
order by shipment.shipped_at, shipment.shipment;
