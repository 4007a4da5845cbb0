"""What the maker writes, as typed settings. Imports nothing of ours."""
