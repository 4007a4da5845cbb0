-- What a run holds beside range errors, one row a check, in the order of `place`:
-- kept with its run, in the same transaction. Either limit may be absent; a yes/no
-- inspection is 1 or 0 with a lower limit of 1. The run's number, product, build,
-- serial and start are repeated here because most questions then need no join.
create table check_result (
    run        text not null,
    name       text not null,
    number     bigint not null,
    place      bigint not null,
    product    text not null,
    build      text,
    serial     text not null,
    started_at timestamptz not null,
    value      double precision not null,
    unit       text not null,
    low        double precision,
    high       double precision,
    verdict    text not null,
    primary key (run, name)
);

-- A measurement that helps to settle what a finding has found: `readings` in `unit`,
-- of the serial, reel or meter that `subject` names, each of standard uncertainty
-- `uncertainty`, in `unit` too. `from_value` is what they read when nothing has moved.
create table proof (
    proof       text not null primary key,
    signal      text not null,
    kind        text not null,
    subject     text,
    readings    double precision[] not null,
    unit        text not null,
    from_value  double precision not null,
    uncertainty double precision not null,
    person      text not null,
    made_at     timestamptz not null
);
