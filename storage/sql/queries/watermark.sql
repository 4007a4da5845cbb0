-- One row: the product's runs are evaluated up to this number, 0 for none; what the
-- latest build was held against then, the fingerprint of the line it was said of, and
-- what the builds teach about the next.
select
    coalesce(max(number), 0) as number,
    max(history) as history,
    max(worked_out_with) as worked_out_with,
    max(ahead) as ahead
from watermark
where product = $product;
