-- One range of one check standard, in a row of several at one bench: how it was read, and
-- what was known of it then, all in ppm. Uncertainties are standard (k = 1);
-- `own_uncertainty_ppm` is the part of it that differs from reading to reading. `check_run`
-- is the run of the check standard that opened the row.
create table standard_check (
    check_run             text not null,
    serial                text not null,
    range                 text not null,
    product               text not null,
    session               text not null,
    error_ppm             double precision not null,
    uncertainty_ppm       double precision not null,
    own_uncertainty_ppm   double precision not null,
    known_ppm             double precision not null,
    known_uncertainty_ppm double precision not null,
    measured_at           timestamptz not null,
    primary key (check_run, serial, range)
);
