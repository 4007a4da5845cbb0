-- One row a bench set-up in which the product was measured: how many runs of its
-- units and how many of its check standards.
select
    session.session,
    session.bench,
    session.opened_at,
    count(case when run.kind = 'unit' then 1 end) as runs,
    count(case when run.kind = 'check' then 1 end) as checks
from session
join run on run.session = session.session
where run.product = $product
group by session.session, session.bench, session.opened_at
order by session.opened_at, session.session;
