-- One row a scheduled job: when it last succeeded.
select job, succeeded_at
from job
order by job;
