"""The data-acquisition daemon and its rooms; importing it loads none of them."""
