-- One row a message that is to be sent to the target by now, oldest first.
select
    alert.*,
    coalesce(delivery.tries, 0) as tries
from alert
left join delivery
    on delivery.alert = alert.alert and delivery.target = alert.target
where alert.target = $target
    and delivery.delivered_at is null
    and delivery.dead_at is null
    and (delivery.next_at is null or delivery.next_at <= $at)
order by alert.made_at, alert.alert
limit 50;
