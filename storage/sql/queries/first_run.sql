-- One row: the first run of one serial, unit or check standard; none where it has none.
select run
from run
where serial = $serial
order by number
limit 1;
