-- What was recorded by mistake and is put right, by a named person. `before` is the row
-- as it was, `after` as it is now, both JSON objects of columns; `after` is null where
-- the row was taken back. `kind` names its table and `subject` its key. Nothing that was
-- recorded is lost: what a row said before stays here for ever.
create table amendment (
    amendment  text not null primary key,
    product    text not null,
    kind       text not null,
    subject    text not null,
    before     text not null,
    after      text,
    person     text not null,
    reason     text not null,
    amended_at timestamptz not null
);
