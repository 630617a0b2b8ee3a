"""Exact virtual time for unmodified programs: a process tree whose waits wait on the model's clock."""
