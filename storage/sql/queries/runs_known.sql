-- One row a run of a unit of the product that is recorded, of those that `runs`, a list
-- in JSON, names.
select run
from run
where
    product = $product
    and kind = 'unit'
    and run in (select unnest(from_json($runs, '["varchar"]')))
order by run;
