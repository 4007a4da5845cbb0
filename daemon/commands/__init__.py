"""What the `holdpoint` command can do; one file a group."""
