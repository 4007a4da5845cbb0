-- What the shared database said last of the benches that share it, as JSON, a row a
-- product: the next look takes its place, since all of it follows from rows there.
create table shared_view (
    shared_view text not null primary key,
    body        text not null,
    seen_at     timestamptz not null
);
