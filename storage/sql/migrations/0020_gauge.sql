-- A crossed gauge study: every appraiser reads every part so many times. `cells` is
-- JSON: which part, appraiser and trial is read at each place, as it was drawn. `bench`
-- names the bench as it was described then, null without one; `tolerance` is the width
-- between the limits, in `unit`.
create table gauge_study (
    gauge_study text not null primary key,
    product     text not null,
    range       text,
    unit        text not null,
    parts       text not null,
    appraisers  text not null,
    trials      bigint not null,
    cells       text not null,
    tolerance   double precision,
    bench       text,
    person      text not null,
    planned_at  timestamptz not null
);

-- What was read at one place of a study, in its unit; `run` where the bench read it.
create table gauge_reading (
    gauge_study text not null,
    place       bigint not null,
    value       double precision not null,
    run         text,
    person      text not null,
    read_at     timestamptz not null,
    primary key (gauge_study, place)
);
