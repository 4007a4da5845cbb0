-- One row a kind of command that waits to be told to the other benches: how many of them,
-- and since when the oldest.
select command, count(*) as waiting, min(kept_at) as since
from outgoing
group by command
order by since, command;
