-- One row a decision in the ledger, the newest first: as many as `newest` says.
select *
from decision
order by seq desc
limit $newest;
