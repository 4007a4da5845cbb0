-- One row, none if unknown: the settings under this hash, as first stored.
select configuration, body, stored_at
from configuration
where configuration = $configuration;
