-- What was decided, as it was kept: a JSON list of table, key and SHA-256 of each row.
-- It is part of the line's own hash. Null in rows of before.
alter table decision add column seals text;
