-- One row a unit of the product whose serial contains a text, whatever its case, the newest
-- build first: as many as `newest` says.
select unit.serial, unit.build
from unit
join build on build.build = unit.build
where
    unit.product = $product
    and contains(lower(unit.serial), lower($part))
order by build.opened_at desc, length(unit.serial), unit.serial
limit $newest;
