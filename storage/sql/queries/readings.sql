-- One row a range of one run: the raw readings, one list element a reading.
select range, level, reference_readings, output_readings, at_s
from range_result
where run = $run
order by place;
