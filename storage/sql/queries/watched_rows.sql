-- One row a range of a run of the product, of the runs numbered above `after` up to
-- `until`; of one `serial`, or null for all. `repeat`: how many results of the range the
-- unit had before. `set_up` says that the bench was set up anew for the run's session.
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
    range_result.repeat,
    session.set_up
from range_result
join run on run.number = range_result.number
join session on session.session = run.session
where
    range_result.product = $product
    and range_result.number > $after
    and range_result.number <= $until
    and run.number > $after
    and run.number <= $until
    and (cast($serial as text) is null or range_result.serial = cast($serial as text))
order by range_result.number, range_result.place;
