-- The settings under this hash, as they were when first stored; none if unknown.
select configuration, body, stored_at
from configuration
where configuration = $configuration;
