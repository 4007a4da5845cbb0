-- One row a role of a bench: the instrument of the latest session that had one there.
select
    met.session,
    met.role,
    met.address,
    met.identity,
    met.serial_number,
    met.calibrated_at,
    met.due_at,
    met.remark
from (
    select
        bench_instrument.*,
        row_number() over (
            partition by bench_instrument.role
            order by session.opened_at desc, session.session desc
        ) as age
    from bench_instrument
    join session on session.session = bench_instrument.session
    where session.bench = $bench
) as met
where age = 1
order by role;
