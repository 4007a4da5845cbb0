-- A finding may be withdrawn by later evidence, and may stand again: each is a further
-- revision. `withdrawn` says in a sentence why it was; null while it stands.
alter table signal add column standing boolean default true;
alter table signal add column withdrawn text;

-- The product's highest run number when a hold was placed, and when it was ended: watched
-- again, the rows take both at the same place as they were taken then. In rows of before,
-- the last run that was finished by then.
alter table hold add column after_number bigint;
alter table hold_end add column after_number bigint;
update hold set after_number = coalesce((
    select max(run.number) from run
    where run.product = hold.product and run.finished_at <= hold.placed_at
), 0);
update hold_end set after_number = coalesce((
    select max(run.number) from run
    join hold on hold.product = run.product
    where hold.hold = hold_end.hold and run.finished_at <= hold_end.ended_at
), 0);
