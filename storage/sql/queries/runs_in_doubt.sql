-- One row a run of a unit and doubt that still stands on it, oldest run first.
select
    run.number,
    run.run,
    run.serial,
    run.build,
    doubt.doubt,
    doubt.reason,
    doubt.raised_at
from doubt
join run
    on run.session = doubt.session
    and run.product = doubt.product
    and run.number between doubt.from_number and doubt.to_number
left join doubt_end on doubt_end.doubt = doubt.doubt
where doubt.product = $product
    and doubt_end.doubt is null
    and run.kind = 'unit'
order by run.number, doubt.raised_at, doubt.doubt;
