"""When to hold, who may end a hold, and what would settle the doubt."""
