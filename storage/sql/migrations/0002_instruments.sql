-- The instruments that a session was measured with, one row a role. Identity and
-- serial number are what the instrument said itself, or what was typed where it cannot
-- say; the calibration's two days are as written in the bench file, 'YYYY-MM-DD'.
create table bench_instrument (
    session       text not null,
    role          text not null,
    address       text not null,
    identity      text,
    serial_number text,
    calibrated_at text,
    due_at        text,
    remark        text,              -- what a reader of its results must know
    primary key (session, role)
);
