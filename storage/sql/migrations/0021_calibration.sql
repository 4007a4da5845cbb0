-- A calibration of an instrument, by its serial number: the day, until when it holds,
-- the certificate's file by name and SHA-256. `found` says what was out of tolerance as
-- it came in, null where nothing was; `since` the day from which results rest on it.
create table calibration (
    calibration        text not null primary key,
    serial_number      text not null,
    made_on            text not null,
    due_on             text,
    certificate        text,
    certificate_sha256 text,
    found              text,
    since              text,
    person             text not null,
    noted_at           timestamptz not null
);
