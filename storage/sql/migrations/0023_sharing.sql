-- What this bench has to tell the shared database, in the order in which it was kept: a
-- command with its arguments as JSON. `numbers` is a JSON list of the run numbers in them:
-- there they are others, and the runs are named with them. A row goes once it is told.
-- No key: `seq` is counted anew where the file was put back from an older copy.
create table outgoing (
    seq     bigint not null,
    command text not null,
    body    text not null,
    numbers text not null,
    kept_at timestamptz not null
);

-- How far the bench is with the shared database: `shares` is 1 while what is kept is
-- written down for it, `file` a number that no other bench's file has, `told` the last
-- `seq` that is there, `heard` the last place of the shared log that was taken in here,
-- `whole` 1 once all of before the sharing was told, `lost` the first `seq` that a file
-- which was put back does not know any more.
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
