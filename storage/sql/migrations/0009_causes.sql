-- How probable each cause of a finding was by the statistics alone: a JSON object of
-- probabilities by cause. Null in rows of before.
alter table signal add column causes text;

-- Loose parts of a reel against its label, measured whether or not it is fitted yet:
-- `readings` in ohm, the leads' own taken off, with the standard uncertainty that they
-- share. `origin` says who read the ohmmeter: typed or bench.
create table reel_check (
    reel_check      text not null primary key,
    reel            text not null,
    readings        double precision[] not null,
    uncertainty_ohm double precision not null,
    origin          text not null,
    person          text not null,
    made_at         timestamptz not null
);
