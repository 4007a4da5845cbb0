"""One bench, one person, one unit after another."""
