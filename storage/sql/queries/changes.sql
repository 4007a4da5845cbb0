-- One row: how many rows there are of what people record and decide on the product; of
-- ends of holds, on any product.
-- Holds that `but_by` placed do not count. Whoever asks again and again asks for the
-- rows themselves only when one was added.
select
    (select count(*) from fitting where product = $product) as fittings,
    (
        select count(*)
        from hold
        where product = $product and placed_by <> $but_by
    ) as holds,
    (select count(*) from hold_end) as hold_ends,
    (select count(*) from rework where product = $product) as reworks,
    (
        select count(*) from amendment
        where product = $product and kind in ('unit', 'fitting')
    ) as amendments;
