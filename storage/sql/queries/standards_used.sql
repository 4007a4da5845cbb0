-- One row or none: the settings by which the product's latest run of a check standard was
-- judged. They say which values its standards had then.
select configuration
from run
where
    product = $product
    and kind = 'check'
    and number = (
        select max(number) from run where product = $product and kind = 'check'
    )
order by configuration;
