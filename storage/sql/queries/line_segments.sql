-- One row a segment of the product's line and a mark at which it was kept; not what is
-- in it.
select
    segment,
    number,
    build,
    reels,
    source,
    first,
    build_first,
    units,
    first_number,
    last_number
from line_segment
where product = $product
order by segment, number;
