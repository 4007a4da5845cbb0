-- One row a check beside range errors, of the product's runs numbered above `after`.
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
where product = $product and number > $after
order by number, place;
