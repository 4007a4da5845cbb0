-- One row or none: the session in which a bench measured the product last, and how many
-- units it measured there since the session's last check.
with mine as (
    select run.number, run.kind, run.serial, run.session
    from run
    join session on session.session = run.session
    where
        run.product = $product
        and run.origin = 'bench'
        and session.bench = $bench
),
latest as (
    select mine.session
    from mine
    where mine.number = (select max(mine.number) from mine)
),
checked as (
    select coalesce(max(mine.number), 0) as number
    from mine
    where
        mine.kind = 'check'
        and mine.session in (select latest.session from latest)
)
select
    mine.session,
    count(distinct mine.serial) as units
from mine
where
    mine.kind = 'unit'
    and mine.session in (select latest.session from latest)
    and mine.number > (select checked.number from checked)
group by mine.session
order by mine.session;
