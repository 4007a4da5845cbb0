-- One row a measurement made to settle a finding on the product, oldest first.
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
where proof.signal in (
    select signal.signal from signal where signal.product = $product
)
order by proof.made_at, proof.proof;
