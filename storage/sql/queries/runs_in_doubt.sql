-- One row a run of a unit and doubt that still stands on it, oldest run first.
select number, run, serial, build, doubt, reason, raised_at
from run_in_doubt
where product = $product and kind = 'unit'
order by number, raised_at, doubt;
