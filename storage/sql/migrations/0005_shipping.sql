-- What left the house and what came back, what was reworked, and how far a recall is.

-- The last serial of a hold on a range of serials; null for every other hold.
alter table hold add column to_serial text;

-- One unit that left. `destination` is an order reference, never a person's name or
-- address. `against` is a JSON list of what spoke against it when somebody decided
-- that it may leave all the same: `override_reason` says why, and both stay for ever.
create table shipment (
    shipment        text not null primary key,
    serial          text not null,
    product         text not null,
    destination     text not null,
    reseller        boolean not null,
    person          text not null,
    shipped_at      timestamptz not null,
    override_reason text,
    against         text not null
);

-- One shipped unit that came back.
create table unit_return (
    unit_return text not null primary key,
    serial      text not null,
    product     text not null,
    person      text not null,
    reason      text not null,
    returned_at timestamptz not null
);

-- Units of the past that carry no serial: how many of a build left on a day.
create table past_shipment (
    past_shipment text not null primary key,
    product       text not null,
    build         text not null,
    units         bigint not null,
    destination   text not null,
    person        text not null,
    shipped_at    timestamptz not null
);

-- What was done to one unit: `kind` is replace (part, reel), regrade (range,
-- limit_ppm) or trim (range, part, trim_ohm in parallel or in series).
create table rework (
    rework      text not null primary key,
    serial      text not null,
    product     text not null,
    kind        text not null,
    range       text,
    part        text,
    reel        text,
    limit_ppm   double precision,
    trim_kind   text,
    trim_ohm    double precision,
    person      text not null,
    reason      text not null,
    reworked_at timestamptz not null
);

-- How far a unit of a containment is: `step` is notified, answered, returned or
-- closed. `subject` is the finding, or the reel, that it is contained for.
create table containment_step (
    containment_step text not null primary key,
    product          text not null,
    subject          text not null,
    serial           text not null,
    step             text not null,
    person           text not null,
    note             text not null,
    noted_at         timestamptz not null
);

-- What came with a reel: how many parts, and what a claim against its supplier needs.
create table reel_receipt (
    reel        text not null primary key,
    quantity    bigint not null,
    marking     text,
    date_code   text,
    invoice     text,
    claim_until timestamptz
);
