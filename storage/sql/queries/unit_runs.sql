-- One row a range of a run of one serial, unit or check standard, with the run's
-- note.
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
    run.note
from range_result
join run on run.number = range_result.number
where range_result.serial = $serial and run.serial = $serial
order by range_result.number, range_result.place;
