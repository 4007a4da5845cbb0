"""The screens: what the Store remembers and the daemon's control offers."""
