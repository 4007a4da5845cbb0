-- When each bench told last is asked again and again: without it, all that it ever told is
-- read for that.
create index bench_log_delivered on bench_log (bench, delivered_at);
