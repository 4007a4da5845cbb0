-- What a hold was ended on: a report's number, a run, a certificate. Null where nothing
-- was named, and in rows of before.
alter table hold_end add column evidence text;
