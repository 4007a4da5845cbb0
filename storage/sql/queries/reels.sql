-- One row a received reel.
select reel, nominal_ohm, tolerance_ppm, received_at, supplier, lot_code
from reel
order by received_at, reel;
