"""The running process."""
