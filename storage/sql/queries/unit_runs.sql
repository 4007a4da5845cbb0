-- One row a range of a run of one serial, unit or check standard, with the run's
-- note; of one `session`, else of all. The columns `again_` are as a later check judged
-- it again, and that check's number; null where none did.
select
    range_result.number,
    range_result.run,
    range_result.kind,
    range_result.serial,
    range_result.build,
    run.session,
    range_result.started_at,
    run.origin,
    run.rerun_of,
    run.ambient_c,
    run.configuration,
    range_result.range,
    range_result.reference,
    range_result.indicated,
    range_result.error_ppm,
    range_result.offset_ppm,
    range_result.uncertainty_ppm,
    range_result.limit_ppm,
    range_result.verdict,
    range_result.conformance_probability,
    range_result.own_uncertainty_ppm,
    run.note,
    range_result.points,
    rejudgement.drift_ppm as again_drift_ppm,
    rejudgement.error_ppm as again_error_ppm,
    rejudgement.uncertainty_ppm as again_uncertainty_ppm,
    rejudgement.verdict as again_verdict,
    rejudgement.conformance_probability as again_conformance_probability,
    rejudgement.points as again_points,
    closing.number as again_number
from range_result
join run on run.number = range_result.number
left join
    rejudgement
    on rejudgement.run = range_result.run and rejudgement.range = range_result.range
left join run as closing on closing.run = rejudgement.check_run
where
    range_result.serial = $serial
    and run.serial = $serial
    and (cast($session as text) is null or run.session = cast($session as text))
order by range_result.number, range_result.place;
