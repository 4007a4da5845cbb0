-- What the watch has worked out of a product's runs, so that it need not be worked out
-- again at every start. All of it follows from the other tables; none of it is a record.

-- The line after run `number`. `fingerprint` names what it was worked out with: by
-- another product, or another program, it is worked out anew.
create table line_mark (
    product     text not null,
    number      bigint not null,
    fingerprint text not null,
    body        text not null,
    primary key (product, number)
);

-- A segment of the line, the `segment`th from 0, as it was at the mark `number`; as it
-- was at a later mark where it has no row of that.
create table line_segment (
    product      text not null,
    segment      bigint not null,
    number       bigint not null,
    build        text not null,
    reels        text not null,
    source       bigint,
    first        bigint not null,
    build_first  bigint not null,
    units        bigint not null,
    first_number bigint not null,
    last_number  bigint not null,
    primary key (product, segment, number)
);

-- What is in it, a piece a row: a question for one segment reads its neighbours too, so
-- that rows must be small.
create table line_piece (
    product text not null,
    segment bigint not null,
    number  bigint not null,
    piece   bigint not null,
    body    text not null,
    primary key (product, segment, number, piece)
);

-- What the bench did up to the mark `number`, from its `place`th event on.
create table line_bench (
    product text not null,
    place   bigint not null,
    number  bigint not null,
    body    text not null,
    primary key (product, place)
);

-- The product's highest run number when a fitting was recorded: what was recorded since
-- a run is asked for by it. Null for those of before.
alter table fitting add column after_number bigint;
