-- What this bench has to tell the shared database, in the order in which it was kept: a
-- command with its arguments as JSON. `runs` is JSON too: the run that each run number in
-- the arguments stands for, since numbers are others there. A row goes once it is told.
-- No key: `seq` is counted anew where the file was put back from an older copy.
create table outgoing (
    seq     bigint not null,
    command text not null,
    body    text not null,
    runs    text not null,
    kept_at timestamptz not null
);

-- How far the bench is with the shared database: `shares` is 1 while what is kept is
-- written down for it, `file` a number that no other bench's file has, `counted` is the last number given to a
-- row of `outgoing`, `told` the last that is there, `heard` the last place of the shared
-- log that was taken in here, `whole` 1 once all of before the sharing was told.
create table sharing (
    what   text not null primary key,
    number bigint not null
);

-- What could not be shared, and why: told by this bench and refused there, or heard from
-- another bench and refused here. A person must look at it.
create table not_shared (
    not_shared text not null primary key,
    bench      text not null,
    said       text not null,
    reason     text not null,
    noted_at   timestamptz not null
);
