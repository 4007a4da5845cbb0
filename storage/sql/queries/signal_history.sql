-- One row a revision of one finding.
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
where signal = $signal
order by revision;
