-- What people must hear of: one row a message and target. `alert` is the message's
-- id, which goes with it, so that whoever gets it twice can tell. `said` is what an
-- update is told by; `follows` is the message that an update or a reminder belongs to.
create table alert (
    alert    text not null,
    target   text not null,
    product  text not null,
    severity text not null,
    subject  text not null,
    title    text not null,
    body     text not null,
    said     text not null,
    follows  text,
    made_at  timestamptz not null,
    primary key (alert, target)
);

-- How far the delivery of one message to one target is. No row: not tried yet. It is
-- due while it is neither delivered nor given up.
create table delivery (
    alert        text not null,
    target       text not null,
    tries        bigint not null,
    tried_at     timestamptz not null,
    next_at      timestamptz,
    last_error   text,
    delivered_at timestamptz,
    dead_at      timestamptz,
    primary key (alert, target)
);

-- Who has taken note of a message: nobody is reminded of it any more.
create table acknowledgement (
    alert           text not null primary key,
    person          text not null,
    acknowledged_at timestamptz not null
);
