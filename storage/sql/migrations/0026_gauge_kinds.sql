-- A gauge study has a kind: crossed, type-1, bias, linearity or stability. `known_values`
-- is a JSON list of what each part truly is, `known_uncertainty` the expanded uncertainty
-- (k = 2) of that, both in `unit`; a crossed study has neither. `times` is at how many
-- times a stability study reads its reference, each time `trials` readings.
alter table gauge_study add column kind text default 'crossed';
alter table gauge_study add column known_values text;
alter table gauge_study add column known_uncertainty double precision;
alter table gauge_study add column times bigint default 1;
