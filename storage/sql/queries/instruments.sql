-- One row a role of one session: the instrument that stood there.
select
    role,
    address,
    identity,
    serial_number,
    calibrated_at,
    due_at,
    remark
from bench_instrument
where session = $session
order by role;
