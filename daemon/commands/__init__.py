"""What the `holdpoint` command can do; one file a subject."""

FAILURE = 1
"""Exit code of a command that could not do what it was asked; misuse is 2."""
