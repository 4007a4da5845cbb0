-- One row a unit of the product that left and did not come back since; of several
-- `serials` (a list in JSON), else of all.
select serial
from unit_away
where
    product = $product
    and (
        cast($serials as text) is null
        or serial in (select unnest(from_json(cast($serials as text), '["varchar"]')))
    )
order by serial;
