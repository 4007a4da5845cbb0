-- One row a step of a unit in the containment of a finding or a reel.
select serial, step, person, note, noted_at
from containment_step
where product = $product and subject = $subject
order by noted_at, containment_step;
