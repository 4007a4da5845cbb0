"""Where every unit and reel went: traced, contained, mended, shipped."""
