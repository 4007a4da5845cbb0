-- A check standard's values as a person assigned them anew, with the reason: by range of
-- the product the known error, ppm, as a JSON object, and their standard uncertainty
-- (k = 1). `before_...` is what was in force until then. `written` is what the bench file
-- said then, as JSON: where it says something else later, somebody has changed the file.
-- Days are 'YYYY-MM-DD'.
create table standard_value (
    standard_value         text not null primary key,
    serial                 text not null,
    product                text not null,
    error_ppm              text not null,
    before_ppm             text not null,
    uncertainty_ppm        double precision not null,
    before_uncertainty_ppm double precision not null,
    written                text not null,
    certificate            text,
    calibrated_at          text,
    calibration_due        text,
    reason                 text not null,
    person                 text not null,
    assigned_at            timestamptz not null
);
