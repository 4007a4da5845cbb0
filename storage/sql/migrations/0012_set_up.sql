-- Whether leads, meter ranges and nulls were set up anew for a session. Sessions of
-- before were, where the bench measured in them or its check standard was run.
alter table session add column set_up boolean default false;
update session
set set_up = exists (
    select 1 from run
    where run.session = session.session
    and (run.origin = 'bench' or run.kind = 'check')
);
