-- An open hold and a build of its product that it stands on: the build itself, a reel
-- that feeds it or was put into one of its units last, one of its units, or serials of
-- them. A reel whose place another took from the same unit on feeds nothing of the build.
create or replace view hold_on_build as
select distinct open_hold.hold, place.build
from open_hold
join (
    select 'build' as scope, build as subject, build from build
    union all
    select 'reel', reel, build
    from fitting
    where not exists (
        select 1
        from fitting as later
        where
            later.build = fitting.build
            and later.part = fitting.part
            and coalesce(later.from_serial, '') = coalesce(fitting.from_serial, '')
            and (
                later.fitted_at > fitting.fitted_at
                or (
                    later.fitted_at = fitting.fitted_at
                    and later.fitting > fitting.fitting
                )
            )
    )
    union all
    select 'reel', rework.reel, unit.build
    from rework
    join unit on unit.serial = rework.serial
    where
        rework.kind = 'replace'
        and not exists (
            select 1
            from rework as later
            where
                later.serial = rework.serial
                and later.part = rework.part
                and later.kind = 'replace'
                and later.reworked_at > rework.reworked_at
        )
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
