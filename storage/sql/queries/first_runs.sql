-- One row a unit of the product that `serials`, a list in JSON, names: its first run.
select run.serial, arg_min(run.run, run.number) as run
from run
where
    run.product = $product
    and run.kind = 'unit'
    and run.serial in (select unnest(from_json($serials, '["varchar"]')))
group by run.serial
order by run.serial;
