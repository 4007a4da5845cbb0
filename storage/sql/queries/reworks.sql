-- One row a thing that was done to a unit of the product; only the columns of its
-- kind are set.
select
    rework.rework,
    rework.serial,
    unit.build,
    rework.kind,
    rework.range,
    rework.part,
    rework.reel,
    rework.limit_ppm,
    rework.trim_kind,
    rework.trim_ohm,
    rework.person,
    rework.reason,
    rework.reworked_at
from rework
join unit on unit.serial = rework.serial
where rework.product = $product
order by rework.reworked_at, rework.rework;
