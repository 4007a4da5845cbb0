"""Pure: what was it truly, and how sure."""
