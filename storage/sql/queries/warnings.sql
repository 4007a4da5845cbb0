-- One row a warning of a chart on the product, oldest first.
select
    signal,
    revision,
    number,
    product,
    build,
    cause,
    statistic,
    range,
    part,
    reel,
    first_serial,
    raised_serial,
    units,
    size_ppm,
    low_ppm,
    high_ppm,
    implied_ohm,
    probability,
    holds,
    evidence,
    causes,
    standing,
    withdrawn,
    made_at
from signal
where product = $product and cause = 'chart'
order by number, signal;
