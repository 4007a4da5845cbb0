-- One row a hold on anything of the product, or on one `subject` of it, with its end;
-- the last six columns are null while it is open. after_number and end_after_number are
-- the product's highest run number when it was placed and when it was ended.
select
    hold.*,
    hold_end.disposal,
    hold_end.person,
    hold_end.reason as end_reason,
    hold_end.ended_at,
    hold_end.evidence,
    hold_end.after_number as end_after_number
from hold
left join hold_end on hold_end.hold = hold.hold
where
    hold.product = $product
    and (cast($subject as text) is null or hold.subject = cast($subject as text))
order by hold.placed_at, hold.hold;
