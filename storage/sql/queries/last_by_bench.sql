-- One row: the run of a unit of the product that the bench measured last; none before any.
select run.run, run.serial
from run
where
    run.product = $product
    and run.kind = 'unit'
    and run.origin = 'bench'
    and exists (select 1 from range_result where range_result.number = run.number)
order by run.number desc
limit 1;
