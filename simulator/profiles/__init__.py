"""Shipped profiles (data files)."""
