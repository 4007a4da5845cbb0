-- One row a check beside range errors, of the product's runs numbered above `after`;
-- of one `serial`, or null for all.
select
    number,
    run,
    serial,
    build,
    started_at,
    name as "check",
    value,
    unit,
    low,
    high,
    verdict
from check_result
where
    product = $product
    and number > $after
    and (cast($serial as text) is null or serial = cast($serial as text))
order by number, place;
