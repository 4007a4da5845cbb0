-- A range of a unit's run, judged again when a good check closed it: what the bench
-- drifted from the session's opening until the run is taken off, and what is not known
-- of it is in the uncertainty. The first judgement stays as it is in `range_result`;
-- this one counts. `check_run` is the check that closed the run.
create table rejudgement (
    run                     text not null,
    range                   text not null,
    check_run               text not null,
    drift_ppm               double precision not null,
    error_ppm               double precision not null,
    uncertainty_ppm         double precision not null,
    verdict                 text not null,
    conformance_probability double precision,
    made_at                 timestamptz not null,
    primary key (run, range)
);
