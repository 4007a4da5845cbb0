-- One row a measurement that helps to settle a finding on the product, oldest first:
-- those made for it, and the loose parts that were measured of the reel it names.
with latest as (
    select signal, max(revision) as revision
    from signal
    where product = $product
    group by signal
),
named as (
    select signal.signal, signal.reel
    from signal
    join latest
        on latest.signal = signal.signal and latest.revision = signal.revision
    where signal.part is not null
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
join latest on latest.signal = proof.signal
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
join named on named.reel = reel_check.reel
join reel on reel.reel = reel_check.reel
order by made_at, proof;
