"""Stories."""
