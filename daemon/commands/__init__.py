"""What the `holdpoint` command can do; one file a subject."""

FAILURE = 1
"""Exit code of a command that could not do what it was asked; misuse is 2."""
SHARED = "holdpoint.shared"
"""Where a command line's wish to ask the shared record is kept."""
