"""What is remembered: the Store and its implementations. Imports nothing of ours."""
