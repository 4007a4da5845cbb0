-- How loose parts were measured: four-wire, two-wire, volts-amperes or ratio; null in
-- rows of before. `incoming` says that no unit carried the reel yet: then it is known
-- to the watch before the reel's first unit, and is no evidence a second time.
alter table reel_check add column method text;
alter table reel_check add column incoming boolean;
update reel_check set incoming = false;
