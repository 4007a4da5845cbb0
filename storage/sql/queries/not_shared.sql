-- One row a command that could not be kept at the other end of the sharing, newest first:
-- the bench that told it, what it was about, and why it was refused.
select not_shared, bench, said, reason, noted_at
from not_shared
order by noted_at desc, not_shared;
