-- One row a finding on the product, as its latest revision says it;
-- first_made_at is when its first revision was made. One that was withdrawn is not
-- standing. Charts' warnings are none.
with latest as (
    select signal, max(revision) as revision, min(made_at) as first_made_at
    from signal
    where product = $product and cause <> 'chart'
    group by signal
)
select signal.*, latest.first_made_at
from signal
join latest on latest.signal = signal.signal and latest.revision = signal.revision
order by latest.first_made_at, signal.signal;
