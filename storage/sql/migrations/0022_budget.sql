-- What made a range unsure when it was judged: JSON, the largest lines of the budget,
-- each a name and its share of the variance. Null in rows of before.
alter table range_result add column budget text;
