-- One row a configuration by which units of a serial's build were judged.
select distinct run.configuration
from run
join unit on unit.build = run.build
where unit.serial = $serial and run.kind = 'unit'
order by run.configuration;
