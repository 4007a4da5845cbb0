-- The first run of one serial, unit or check standard; no row where it has none.
select run
from run
where serial = $serial
order by number
limit 1;
