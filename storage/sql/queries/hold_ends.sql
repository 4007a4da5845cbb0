-- One row a hold on anything of the product that somebody ended, in the order of
-- after_number, the product's highest run number at that moment. build, range, part,
-- reel and cause are of its finding's latest revision, null for a hold without one.
with finding as (
    select signal.*
    from signal
    join latest_signal
        on latest_signal.signal = signal.signal
        and latest_signal.revision = signal.revision
    where latest_signal.product = $product
)
select
    hold.hold,
    hold.scope,
    hold.subject,
    hold.to_serial,
    hold.signal,
    finding.build,
    finding.range,
    finding.part,
    finding.reel,
    finding.cause,
    hold_end.disposal,
    hold_end.person,
    hold_end.reason,
    hold_end.ended_at,
    hold_end.after_number
from hold_end
join hold on hold.hold = hold_end.hold
left join finding on finding.signal = hold.signal
where hold.product = $product
order by hold_end.after_number, hold_end.ended_at, hold.hold;
