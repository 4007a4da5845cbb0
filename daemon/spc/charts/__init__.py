"""Control charts: small classes with `update(x) -> point`; the state is in fields."""
