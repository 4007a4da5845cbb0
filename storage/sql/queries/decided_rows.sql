-- One row a kept row that somebody decided: its table, its key, and all of it as JSON.
select 'acknowledgement' as kind, alert as key, cast(to_json(one) as text) as kept_row
from acknowledgement as one
union all
select 'amendment', amendment, cast(to_json(one) as text)
from amendment as one
union all
select 'calibration', calibration, cast(to_json(one) as text)
from calibration as one
union all
select 'containment_step', containment_step, cast(to_json(one) as text)
from containment_step as one
union all
select 'doubt_end', doubt, cast(to_json(one) as text)
from doubt_end as one
union all
select 'hold', hold, cast(to_json(one) as text)
from hold as one
union all
select 'hold_end', hold, cast(to_json(one) as text)
from hold_end as one
union all
select 'past_shipment', past_shipment, cast(to_json(one) as text)
from past_shipment as one
union all
select 'rework', rework, cast(to_json(one) as text)
from rework as one
union all
select 'shipment', shipment, cast(to_json(one) as text)
from shipment as one
union all
select 'standard_value', standard_value, cast(to_json(one) as text)
from standard_value as one
union all
select 'unit_return', unit_return, cast(to_json(one) as text)
from unit_return as one
order by kind, key;
