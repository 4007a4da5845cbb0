-- What the builds teach about the next when runs up to `number` were watched, with what
-- it was worked out with: a question before a build need not fold.
alter table watermark add column ahead text;
