-- One row a range of a run of one check standard that conforms there, judged by one
-- `configuration`: of each range the `most` latest, oldest first.
select number, range, error_ppm
from (
    select
        range_result.number,
        range_result.place,
        range_result.range,
        range_result.error_ppm,
        row_number() over (
            partition by range_result.range order by range_result.number desc
        ) as age
    from range_result
    join run on run.number = range_result.number
    where
        range_result.product = $product
        and range_result.kind = 'check'
        and range_result.serial = $serial
        and range_result.verdict = 'conforming'
        and run.configuration = $configuration
) as good
where age <= $most
order by number, place;
