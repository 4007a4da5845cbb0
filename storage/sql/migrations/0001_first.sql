-- Primary keys only: references are checked by the program, which can say what
-- is missing, and secondary indexes bought no speed. Every time is UTC.

-- An instrument type.
create table product (
    product text not null primary key,
    title   text not null
);

-- One batch of units kitted together.
create table build (
    build         text not null primary key,
    product       text not null,
    planned_units bigint,
    opened_at     timestamptz not null
);

-- A component lot: everything from one reel, tape or packet.
create table reel (
    reel          text not null primary key,
    nominal_ohm   double precision not null,
    tolerance_ppm double precision not null,
    received_at   timestamptz not null,
    supplier      text,
    lot_code      text
);

-- From this serial on (null: the build's first unit) the part is of this reel.
-- The serial may be one that is yet to be measured.
create table fitting (
    fitting     text not null primary key,
    product     text not null,
    build       text not null,
    part        text not null,
    reel        text not null,
    from_serial text,
    fitted_at   timestamptz not null
);

-- One instrument. A check standard is none of them.
create table unit (
    serial  text not null primary key,
    product text not null,
    build   text not null
);

-- One set-up of leads, meter ranges and nulls.
create table session (
    session       text not null primary key,
    bench         text not null,
    opened_at     timestamptz not null,
    configuration text not null
);

-- One measurement of a unit or check standard. `number` counts up in the order
-- of commits, over all products, without gaps.
create table run (
    run           text not null primary key,
    number        bigint not null,
    kind          text not null,
    product       text not null,
    serial        text not null,
    build         text,
    session       text not null,
    origin        text not null,
    started_at    timestamptz not null,
    finished_at   timestamptz not null,
    configuration text not null,
    ambient_c     double precision,
    rerun_of      text,
    note          text
);

-- One range of one run. `place` is its order in the run, from 1; `repeat` counts
-- the unit's earlier results of the same range, 0 for the one that counts for
-- first-pass yield. The run's number, kind, product, build, serial and start are
-- repeated here because most questions then need no join.
create table range_result (
    run                     text not null,
    range                   text not null,
    number                  bigint not null,
    place                   bigint not null,
    repeat                  bigint not null,
    kind                    text not null,
    product                 text not null,
    build                   text,
    serial                  text not null,
    started_at              timestamptz not null,
    reference               double precision not null,
    indicated               double precision not null,
    error_ppm               double precision not null,
    offset_ppm              double precision not null,
    uncertainty_ppm         double precision not null,
    limit_ppm               double precision not null,
    verdict                 text not null,
    conformance_probability double precision,
    level                   double precision[] not null,
    reference_readings      double precision[] not null,
    output_readings         double precision[] not null,
    at_s                    double precision[] not null,
    primary key (run, range)
);

-- A statistical finding as it stood after run `number`.
create table signal (
    signal        text not null,
    revision      bigint not null,
    number        bigint not null,
    product       text not null,
    build         text not null,
    cause         text not null,
    statistic     text not null,
    range         text,
    part          text,
    reel          text,
    first_serial  text not null,
    raised_serial text not null,
    units         bigint not null,
    size_ppm      double precision not null,
    low_ppm       double precision not null,
    high_ppm      double precision not null,
    implied_ohm   double precision,
    probability   double precision not null,
    holds         boolean not null,
    evidence      text not null,
    made_at       timestamptz not null,
    primary key (signal, revision)
);

-- What may not ship. A hold is never changed: its end is a row of its own.
create table hold (
    hold      text not null primary key,
    scope     text not null,
    subject   text not null,
    product   text not null,
    signal    text,
    reason    text not null,
    placed_by text not null,
    placed_at timestamptz not null
);

-- Who ended a hold, how and why; at most one a hold.
create table hold_end (
    hold     text not null primary key,
    disposal text not null,
    person   text not null,
    reason   text not null,
    ended_at timestamptz not null
);

-- Settings as they were at a judgement; the key is their hash.
create table configuration (
    configuration text not null primary key,
    body          text not null,
    stored_at     timestamptz not null
);

-- Who decided what: each row carries the hash of the row before it.
create table decision (
    seq           bigint not null primary key,
    person        text not null,
    action        text not null,
    subject       text not null,
    reason        text not null,
    decided_at    timestamptz not null,
    previous_hash text not null,
    row_hash      text not null
);

-- The product's runs are evaluated up to and including this number.
create table watermark (
    product text not null primary key,
    number  bigint not null
);

-- When a scheduled job last succeeded.
create table job (
    job          text not null primary key,
    succeeded_at timestamptz not null
);
