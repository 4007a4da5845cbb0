"""Hands: instruments, the measuring sequence, the check standard, the safe state.

Importing this loads none of them: the safe-off guard must start at once.
"""
