-- Runs that a check standard no longer stands behind: those of one session with
-- numbers from `from_number` to `to_number`, both included.
create table doubt (
    doubt       text not null primary key,
    product     text not null,
    session     text not null,
    from_number bigint not null,
    to_number   bigint not null,
    cause       text not null,
    reason      text not null,
    raised_at   timestamptz not null
);

-- What ended a doubt: a good check, named by its run, or a person with a reason; at
-- most one a doubt.
create table doubt_end (
    doubt     text not null primary key,
    ended_by  text not null,
    check_run text,
    reason    text not null,
    ended_at  timestamptz not null
);

-- One range of a mounted unit, read by a meter of the bench and by another at the
-- same time. Values are in the meters' own unit, expanded uncertainties of k = 2.
create table cross_check (
    cross_check      text not null primary key,
    product          text not null,
    session          text not null,
    serial           text not null,
    range            text not null,
    role             text not null,
    meter            text not null,
    unit             text not null,
    value            double precision not null,
    expanded         double precision not null,
    other            double precision not null,
    other_expanded   double precision not null,
    normalised_error double precision not null,
    agree            boolean not null,
    signal           text,
    person           text,
    measured_at      timestamptz not null
);
