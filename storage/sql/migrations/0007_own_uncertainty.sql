-- The part of a range result's standard uncertainty that is of this one measurement:
-- scatter, settling, resolution, drift; not what the bench and the room's temperature
-- do to every unit alike. Absent in rows of before.
alter table range_result add column own_uncertainty_ppm double precision;
