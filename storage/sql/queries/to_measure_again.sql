-- One row a unit of the product that was measured, was reworked or held until it is (by a
-- hold on the unit or on its build), and was not measured since, unless it has left.
with reworked as (
    select serial, reworked_at from rework
    where product = $product and kind <> 'regrade'
),

sent as (
    select hold.scope, hold.subject, hold.placed_at, hold_end.ended_at
    from hold
    join hold_end on hold_end.hold = hold.hold
    where hold.product = $product and hold_end.disposal = 'rework'
),

held as (
    select unit.serial, sent.placed_at, sent.ended_at
    from sent join unit on unit.serial = sent.subject
    where sent.scope = 'unit' and unit.product = $product
    union all
    select unit.serial, sent.placed_at, sent.ended_at
    from sent join unit on unit.build = sent.subject
    where sent.scope = 'build' and unit.product = $product
),

since as (
    select serial, reworked_at as since_at from reworked
    union all
    -- Work that was recorded while the hold stood is what its end confirms.
    select
        held.serial,
        coalesce(
            (
                select max(reworked.reworked_at) from reworked
                where
                    reworked.serial = held.serial
                    and reworked.reworked_at between held.placed_at and held.ended_at
            ),
            held.ended_at
        ) as since_at
    from held
),

last_run as (
    select serial, max(started_at) as started_at from run
    where product = $product and kind = 'unit'
        and serial in (select serial from since)
    group by serial
)

select since.serial
from since
join last_run on last_run.serial = since.serial
where since.serial not in (select serial from unit_away where product = $product)
group by since.serial, last_run.started_at
having last_run.started_at <= max(since.since_at)
order by since.serial;
