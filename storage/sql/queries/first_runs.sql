-- One row a unit of the product that `serials`, a list in JSON, names: its first run and
-- its build, its last run and where that one's readings came from.
select
    run.serial,
    arg_min(run.run, run.number) as run,
    arg_max(run.build, run.number) as build,
    arg_max(run.run, run.number) as last_run,
    arg_max(run.origin, run.number) as origin
from run
where
    run.product = $product
    and run.kind = 'unit'
    and run.serial in (select unnest(from_json($serials, '["varchar"]')))
group by run.serial
order by run.serial;
