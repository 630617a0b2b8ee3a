"""Shipped wirings (data files)."""
