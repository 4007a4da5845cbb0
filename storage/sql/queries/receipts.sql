-- One row a reel of which it is recorded what came with it.
select reel, quantity, marking, date_code, invoice, claim_until
from reel_receipt
order by reel;
