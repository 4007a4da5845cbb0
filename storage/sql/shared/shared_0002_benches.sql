-- What makes one record of several benches' rows.

-- The benches that told something: each name belongs to one bench's file.
create table bench (
    bench text collate "C" not null primary key,
    file  bigint not null
);

-- Every command in the order in which it was kept, with the bench that it came from.
-- `seq` is the bench's own count, null for what was done at the shared database itself;
-- a bench is heard up to its greatest. `refused` says why nothing was kept of it.
create table bench_log (
    number     bigint not null primary key,
    bench      text collate "C" not null,
    seq        bigint,
    command    text not null,
    body       text not null,
    refused    text,
    delivered_at timestamptz not null
);
create unique index bench_log_seq on bench_log (bench, seq);

-- Runs that were delivered, and whose bench has not said yet that it has watched them.
create table awaited (
    run     text collate "C" not null primary key,
    bench   text collate "C" not null,
    product text collate "C" not null,
    number  bigint not null
);
create index awaited_of on awaited (product, number);

-- Counts transactions: whoever asks again and again looks whether it went on.
create table commits (number bigint not null);
insert into commits values (0);

-- A file finds these in a scan of one column; here each needs its index.
create unique index run_number on run (number);
create index run_serial on run (serial);
create index run_session on run (session, number);
create index run_build on run (build);
create index run_product on run (product, kind, number);
create index range_result_number on range_result (number);
create index range_result_serial on range_result (serial, range, number);
create index range_result_build on range_result (build, range);
create index range_result_product on range_result (product, kind, range, number);
create index check_result_product on check_result (product, number);
create index check_result_run on check_result (run);
create index rejudgement_check on rejudgement (check_run);
create index unit_build on unit (build);
create index fitting_build on fitting (build);
create index fitting_reel on fitting (reel);
create index hold_product on hold (product);
create index signal_product on signal (product, signal, revision);
create index shipment_serial on shipment (serial);
create index unit_return_serial on unit_return (serial);
create index rework_serial on rework (serial);
create index doubt_session on doubt (session);
