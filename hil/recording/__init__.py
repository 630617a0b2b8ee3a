"""Recordings: written, read, asked."""
