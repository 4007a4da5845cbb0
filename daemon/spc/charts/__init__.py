"""Control charts: small classes with `update(x) -> point` and `extend(x) -> points`."""
