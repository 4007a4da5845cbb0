-- One row a range of a unit's run that a check closed, of the checks numbered above
-- `after`. The columns `first_` are as it was judged at first; `latest` says whether
-- the unit has no later result of this range.
select
    range_result.number,
    range_result.run,
    range_result.serial,
    range_result.build,
    range_result.range,
    rejudgement.check_run,
    closing.number as check_number,
    rejudgement.drift_ppm,
    range_result.error_ppm as first_error_ppm,
    range_result.uncertainty_ppm as first_uncertainty_ppm,
    range_result.verdict as first_verdict,
    rejudgement.error_ppm,
    rejudgement.uncertainty_ppm,
    rejudgement.verdict,
    rejudgement.conformance_probability,
    range_result.limit_ppm,
    rejudgement.made_at,
    latest_number.number = range_result.number as latest
from rejudgement
join run as closing on closing.run = rejudgement.check_run
join
    range_result
    on range_result.run = rejudgement.run and range_result.range = rejudgement.range
join latest_number
    on latest_number.serial = range_result.serial
    and latest_number.range = range_result.range
where range_result.product = $product and closing.number > $after
order by closing.number, range_result.number, range_result.place;
