"""Hands: instruments, the measuring sequence, the check standard, the safe state."""
