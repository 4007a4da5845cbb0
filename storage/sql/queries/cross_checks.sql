-- One row a comparison of a meter of the bench with another, oldest first.
select
    cross_check,
    session,
    serial,
    range,
    role,
    meter,
    unit,
    value,
    expanded,
    other,
    other_expanded,
    normalised_error,
    agree,
    signal,
    person,
    measured_at
from cross_check
where product = $product
order by measured_at, cross_check;
