-- One answer to one question: what the queries ask, and what is asked before a unit may
-- leave, is asked here. A view lists its columns: one that says * breaks when its table
-- gets another.

-- Serials as people count: pieces of digits as numbers, before other text. The list of
-- pieces sorts exactly as `serial_order` of the program does.
create macro serial_order(serial) as list_transform(
    regexp_extract_all(serial, '[0-9]+|[^0-9]+'),
    lambda piece: case
        when piece[1] between '0' and '9'
        then '0' || lpad(cast(length(ltrim(piece, '0')) as text), 4, '0') || ltrim(piece, '0')
        else '1' || piece
    end
);

-- Whether a serial lies in a range of serials of one form, both ends included: with
-- digits and other text in the same places, the order of texts is that of numbers.
create macro serial_within(serial, first_serial, last_serial) as
    serial between first_serial and last_serial
    and regexp_replace(serial, '[0-9]', '0', 'g')
    = regexp_replace(first_serial, '[0-9]', '0', 'g');

-- A range of a run, as it was judged last: by the good check that closed the run where
-- there is one. `judged_at` is when that verdict was reached first.
create view judged_result as
select
    range_result.run,
    range_result.range,
    range_result.number,
    range_result.place,
    range_result.repeat,
    range_result.kind,
    range_result.product,
    range_result.build,
    range_result.serial,
    range_result.started_at,
    coalesce(rejudgement.error_ppm, range_result.error_ppm) as error_ppm,
    coalesce(rejudgement.uncertainty_ppm, range_result.uncertainty_ppm)
        as uncertainty_ppm,
    range_result.limit_ppm,
    coalesce(rejudgement.verdict, range_result.verdict) as verdict,
    case
        when rejudgement.verdict <> range_result.verdict then rejudgement.made_at
        else range_result.started_at
    end as judged_at
from range_result
left join rejudgement
    on rejudgement.run = range_result.run and rejudgement.range = range_result.range;

-- A range of a unit: the number of the run that measured it last.
create view latest_number as
select product, build, serial, range, max(number) as number
from range_result
where kind = 'unit'
group by product, build, serial, range;

-- A range of a unit: its latest result, as it was judged last. Asked of one unit or one
-- build it reads no more than that: the names come from the grouped side.
create view latest_result as
select
    judged_result.run,
    latest.range,
    latest.number,
    judged_result.place,
    judged_result.repeat,
    latest.product,
    latest.build,
    latest.serial,
    judged_result.started_at,
    judged_result.error_ppm,
    judged_result.uncertainty_ppm,
    judged_result.limit_ppm,
    judged_result.verdict,
    judged_result.judged_at
from latest_number as latest
join judged_result
    on judged_result.number = latest.number and judged_result.range = latest.range;

-- A finding: its latest revision, and when its first was made.
create view latest_signal as
select signal, max(revision) as revision, min(made_at) as first_made_at, product
from signal
group by signal, product;

-- A hold that nobody has ended.
create view open_hold as
select
    hold.hold, hold.scope, hold.subject, hold.to_serial, hold.product, hold.signal,
    hold.reason, hold.placed_at
from hold
left join hold_end on hold_end.hold = hold.hold
where hold_end.hold is null;

-- An open hold and a build of its product that it stands on: the build itself, a reel
-- fitted in it or put into one of its units, one of its units, or serials of them.
create view hold_on_build as
select distinct open_hold.hold, place.build
from open_hold
join (
    select 'build' as scope, build as subject, build from build
    union all
    select 'reel', reel, build from fitting
    union all
    select 'reel', rework.reel, unit.build
    from rework
    join unit on unit.serial = rework.serial
    where rework.kind = 'replace'
    union all
    select 'unit', serial, build from unit
) as place on place.scope = open_hold.scope and place.subject = open_hold.subject
join build on build.build = place.build and build.product = open_hold.product
union
select spanned.hold, unit.build
from (
    select hold, subject, to_serial, product from open_hold where scope = 'serials'
) as spanned
join unit
    on unit.product = spanned.product
    and serial_within(unit.serial, spanned.subject, spanned.to_serial);

-- A run and a doubt that still stands on it.
create view run_in_doubt as
select
    run.number, run.run, run.kind, run.product, run.serial, run.build, doubt.doubt,
    doubt.reason, doubt.raised_at
from doubt
join run
    on run.session = doubt.session
    and run.product = doubt.product
    and run.number between doubt.from_number and doubt.to_number
left join doubt_end on doubt_end.doubt = doubt.doubt
where doubt_end.doubt is null;
