"""Is it still itself? Statistics on plain numbers and arrays, nothing else."""
