-- One row a configuration by which a serial, unit or check standard, was judged.
select distinct configuration
from run
where serial = $serial
order by configuration;
