-- One row a unit of the product that was measured, was reworked or held until it is (by a
-- hold on the unit, its build, a reel that it carries or its serials), and was not measured
-- since, unless it has left. Of one that was measured since on other ranges alone, a row a
-- range that is still to be measured; else range is null: all are.
with reworked as (
    select serial, range, reworked_at from rework
    where product = $product and kind <> 'regrade'
        and (cast($serial as text) is null or serial = cast($serial as text))
),

sent as (
    select
        hold.scope, hold.subject, hold.to_serial, hold.placed_at, hold_end.ended_at
    from hold
    join hold_end on hold_end.hold = hold.hold
    where hold.product = $product and hold_end.disposal = 'rework'
),

-- Which of their parts units have from which reel, in builds that a reel of those is
-- fitted in: by the last fitting that takes over before the unit.
fitted as (
    select
        unit.serial,
        fitting.part,
        fitting.reel,
        row_number() over (
            partition by unit.serial, fitting.part
            order by
                case when fitting.from_serial is null then 1 else 0 end,
                serial_order(coalesce(fitting.from_serial, '')) desc,
                fitting.fitted_at desc,
                fitting.fitting desc
        ) as place
    from fitting
    join unit on unit.build = fitting.build and unit.product = fitting.product
    where fitting.product = $product
        and fitting.build in (
            select other.build from fitting as other
            join sent on sent.scope = 'reel' and sent.subject = other.reel
        )
        and (cast($serial as text) is null or unit.serial = cast($serial as text))
        and (
            fitting.from_serial is null
            or serial_order(fitting.from_serial) <= serial_order(unit.serial)
        )
),

-- A part that was replaced is of its last reel, whatever the build was fitted with.
replaced as (
    select
        serial,
        part,
        reel,
        row_number() over (
            partition by serial, part order by reworked_at desc, rework desc
        ) as place
    from rework
    where product = $product and kind = 'replace'
        and (cast($serial as text) is null or serial = cast($serial as text))
),

carried as (
    select serial, reel from replaced where place = 1
    union
    select fitted.serial, fitted.reel
    from fitted
    left join replaced
        on replaced.serial = fitted.serial and replaced.part = fitted.part
    where fitted.place = 1 and replaced.serial is null
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
    union all
    select unit.serial, sent.placed_at, sent.ended_at
    from sent
    join unit
        on sent.scope = 'serials'
        and serial_within(unit.serial, sent.subject, sent.to_serial)
    where unit.product = $product
        and (cast($serial as text) is null or unit.serial = cast($serial as text))
    union all
    select carried.serial, sent.placed_at, sent.ended_at
    from sent join carried on carried.reel = sent.subject
    where sent.scope = 'reel'
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
