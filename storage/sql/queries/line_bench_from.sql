-- One row a piece of what the bench did, of the pieces that hold events from the
-- `place`th on.
select product, place, number, body
from line_bench
where
    product = $product
    and place >= (
        select coalesce(max(place), 0)
        from line_bench
        where product = $product and place <= $place
    )
order by place;
