-- One row a finding on the product, as its latest revision says it;
-- first_made_at is when its first revision was made. One that was withdrawn is not
-- standing. Charts' warnings are none.
select signal.*, latest_signal.first_made_at
from signal
join latest_signal
    on latest_signal.signal = signal.signal
    and latest_signal.revision = signal.revision
where latest_signal.product = $product and signal.cause <> 'chart'
order by latest_signal.first_made_at, signal.signal;
