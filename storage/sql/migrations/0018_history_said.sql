-- What the latest build was held against when runs up to `number` were watched, and the
-- fingerprint of the line it was said of: said again, it need not be worked out.
alter table watermark add column history text;
alter table watermark add column worked_out_with text;
