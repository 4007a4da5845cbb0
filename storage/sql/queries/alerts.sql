-- One row a message on the product and target, with its delivery and who took note.
select
    alert.*,
    coalesce(delivery.tries, 0) as tries,
    delivery.tried_at,
    delivery.next_at,
    delivery.last_error,
    delivery.delivered_at,
    delivery.dead_at,
    acknowledgement.person,
    acknowledgement.acknowledged_at
from alert
left join delivery
    on delivery.alert = alert.alert and delivery.target = alert.target
left join acknowledgement on acknowledgement.alert = alert.alert
where alert.product = $product
order by alert.made_at, alert.alert, alert.target;
