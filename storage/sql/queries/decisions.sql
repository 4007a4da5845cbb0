-- One row a decision; each carries the hash of the row before it.
select seq, person, action, subject, reason, decided_at, previous_hash, row_hash
from decision
order by seq;
