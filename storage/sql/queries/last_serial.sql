-- One row: the serial of the unit that was measured last in a build; none before any.
select serial
from run
where build = $build and kind = 'unit'
order by number desc
limit 1;
