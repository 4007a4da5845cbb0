"""The detector: one state of the line, hypotheses that are sets of events."""
