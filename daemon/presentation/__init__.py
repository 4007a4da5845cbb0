"""How things are said and drawn; nothing here asks."""
