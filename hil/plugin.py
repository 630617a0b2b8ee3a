"""The pytest plugin."""
