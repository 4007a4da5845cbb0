-- One row a measurement that helps to settle a finding on the product, oldest first:
-- those made for it, and the loose parts that were measured of the reel it names. What
-- was measured before any unit carried the reel is not here: the watch knew it already.
with named as (
    select signal.signal, signal.reel, signal.part
    from signal
    join latest_signal
        on latest_signal.signal = signal.signal
        and latest_signal.revision = signal.revision
    where latest_signal.product = $product
)
select
    proof.proof,
    proof.signal,
    proof.kind,
    proof.subject,
    proof.readings,
    proof.unit,
    proof.from_value,
    proof.uncertainty,
    proof.person,
    proof.made_at
from proof
join named on named.signal = proof.signal
union all
select
    reel_check.reel_check || ':' || named.signal,
    named.signal,
    'loose parts',
    reel_check.reel,
    reel_check.readings,
    'ohm',
    reel.nominal_ohm,
    reel_check.uncertainty_ohm,
    reel_check.person,
    reel_check.made_at
from reel_check
join named on named.reel = reel_check.reel and named.part is not null
join reel on reel.reel = reel_check.reel
where not reel_check.incoming
order by made_at, proof;
