"""A behavioural model of a cellular modem module on its carrier: stimuli in, recordings out.

The model is sans-I/O: outside `edges/` it knows no file descriptor, wall clock, thread or socket.
"""
