-- How a range was judged point by point, as JSON: level, error with the offset inside,
-- uncertainty and both limits in ppm of full scale, verdict. Absent in rows of before.
alter table range_result add column points text;
alter table rejudgement add column points text;

create or replace view judged_result as
select
    range_result.run,
    range_result.range,
    range_result.number,
    range_result.place,
    range_result.repeat,
    range_result.kind,
    range_result.product,
    range_result.build,
    range_result.serial,
    range_result.started_at,
    coalesce(rejudgement.error_ppm, range_result.error_ppm) as error_ppm,
    coalesce(rejudgement.uncertainty_ppm, range_result.uncertainty_ppm)
        as uncertainty_ppm,
    range_result.limit_ppm,
    coalesce(rejudgement.verdict, range_result.verdict) as verdict,
    case
        when rejudgement.verdict <> range_result.verdict then rejudgement.made_at
        else range_result.started_at
    end as judged_at,
    coalesce(rejudgement.points, range_result.points) as points
from range_result
left join rejudgement
    on rejudgement.run = range_result.run and rejudgement.range = range_result.range;

create or replace view latest_result as
select
    judged_result.run,
    latest.range,
    latest.number,
    judged_result.place,
    judged_result.repeat,
    latest.product,
    latest.build,
    latest.serial,
    judged_result.started_at,
    judged_result.error_ppm,
    judged_result.uncertainty_ppm,
    judged_result.limit_ppm,
    judged_result.verdict,
    judged_result.judged_at,
    judged_result.points
from latest_number as latest
join judged_result
    on judged_result.number = latest.number and judged_result.range = latest.range;
