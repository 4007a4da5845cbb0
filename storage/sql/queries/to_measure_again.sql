-- One row a unit of the product that was measured, was reworked or held until it is (by a
-- hold on the unit or on its build), and was not measured since, unless it has left. Of one
-- that was measured since on other ranges alone, a row a range that is still to be measured;
-- else range is null: all are.
with reworked as (
    select serial, range, reworked_at from rework
    where product = $product and kind <> 'regrade'
        and (cast($serial as text) is null or serial = cast($serial as text))
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
        and (cast($serial as text) is null or unit.serial = cast($serial as text))
    union all
    select unit.serial, sent.placed_at, sent.ended_at
    from sent join unit on unit.build = sent.subject
    where sent.scope = 'build' and unit.product = $product
        and (cast($serial as text) is null or unit.serial = cast($serial as text))
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
),

whole as (
    select since.serial
    from since
    join last_run on last_run.serial = since.serial
    group by since.serial, last_run.started_at
    having last_run.started_at <= max(since.since_at)
),

-- A hold's end alone says of no range that it was worked on: any run after it will do.
last_of_range as (
    select range_result.serial, range_result.range, max(range_result.number) as number
    from range_result
    join reworked on reworked.serial = range_result.serial
    where range_result.product = $product and range_result.kind = 'unit'
    group by range_result.serial, range_result.range
),

in_part as (
    select distinct last_of_range.serial, last_of_range.range
    from last_of_range
    join run on run.number = last_of_range.number and run.product = $product
    join reworked on reworked.serial = last_of_range.serial
    where run.started_at < reworked.reworked_at
        and (reworked.range is null or reworked.range = last_of_range.range)
        and last_of_range.serial not in (select serial from whole)
),

waiting as (
    select serial, cast(null as text) as range from whole
    union all
    select serial, range from in_part
)

select serial, range
from waiting
where serial not in (select serial from unit_away where product = $product)
order by serial, range;
