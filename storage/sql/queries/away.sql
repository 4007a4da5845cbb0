-- One row a unit of the product that left and did not come back since.
select serial from unit_away where product = $product order by serial;
