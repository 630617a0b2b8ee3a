"""The GPIO character device in a script's hands: what its ioctls are answered, and how, at either pace."""
