-- One row a kept row that a person or the watch decided: each must have its line in
-- the ledger.
select 'hold' as kind, hold as subject, placed_by as person, placed_at as decided_at
from hold
union all
select 'hold end', hold, person, ended_at from hold_end
union all
select 'doubt end', doubt, ended_by, ended_at from doubt_end
union all
select 'shipment', serial, person, shipped_at from shipment
union all
select 'return', serial, person, returned_at from unit_return
union all
select 'rework', serial, person, reworked_at from rework
union all
select 'step', serial, person, noted_at from containment_step
union all
select 'past shipment', build, person, shipped_at from past_shipment
union all
select 'amendment', subject, person, amended_at from amendment
order by decided_at, kind, subject;
