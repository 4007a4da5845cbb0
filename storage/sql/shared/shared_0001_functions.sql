-- What the views and questions of a bench's own file call, and PostgreSQL lacks.

-- Serials as people count; see the views of a bench's file.
create function serial_order(serial text) returns text[] language sql immutable as $$
    select array(
        select
            case
                when found.pieces[1] ~ '^[0-9]'
                then '0'
                    || lpad(cast(length(ltrim(found.pieces[1], '0')) as text), 4, '0')
                    || ltrim(found.pieces[1], '0')
                else '1' || found.pieces[1]
            end
        from regexp_matches(serial, '[0-9]+|[^0-9]+', 'g')
            with ordinality as found (pieces, place)
        order by found.place
    )
$$;

create function serial_within(serial text, first_serial text, last_serial text)
returns boolean language sql immutable as $$
    select
        serial between first_serial and last_serial
        and regexp_replace(serial, '[0-9]', '0', 'g')
        = regexp_replace(first_serial, '[0-9]', '0', 'g')
$$;

-- A JSON list of texts; `form` says so, and is not looked at.
create function from_json(list text, form text) returns text[] language sql immutable
as $$
    select array(select json_array_elements_text(cast(list as json)))
$$;

create function contains(whole text, part text) returns boolean language sql immutable
as $$
    select strpos(whole, part) > 0
$$;

create function round(value double precision, digits integer) returns double precision
language sql immutable as $$
    select cast(round(cast(value as numeric), digits) as double precision)
$$;
