-- One row a doubt on runs of the product, with its end; the last three columns are
-- null while it stands.
select
    doubt.*,
    doubt_end.ended_by,
    doubt_end.reason as ended_reason,
    doubt_end.ended_at
from doubt
left join doubt_end on doubt_end.doubt = doubt.doubt
where doubt.product = $product
order by doubt.raised_at, doubt.from_number, doubt.doubt;
