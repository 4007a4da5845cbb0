-- Which bench a session is of: two benches may call themselves alike in their settings,
-- never where they share their records.
create table measured_at (
    session text collate "C" not null primary key,
    bench   text collate "C" not null
);
insert into measured_at (session, bench)
select told.session, min(told.bench)
from (
    select body::jsonb -> 'run' ->> 'session' as session, bench
    from bench_log
    where command = 'record_run' and refused is null
    union
    select piece -> 'run' ->> 'session', bench
    from bench_log, jsonb_array_elements(body::jsonb -> 'runs') as piece
    where command = 'record_runs' and refused is null
) as told
where told.session is not null
group by told.session;
create index measured_at_bench on measured_at (bench);
