-- One row each time loose parts of a reel were measured, for a finding or before one;
-- oldest first. Readings are in ohm, their standard uncertainty too.
select
    reel_check,
    reel,
    readings,
    uncertainty_ohm,
    origin,
    person,
    made_at,
    method,
    incoming
from reel_check
union all
select
    proof,
    subject,
    readings,
    uncertainty,
    'for ' || signal,
    person,
    made_at,
    null,
    false
from proof
where kind = 'loose parts' and subject is not null
order by made_at, reel_check;
