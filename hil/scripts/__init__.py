"""Firmware-side scripts, run unmodified against a simulated bench."""
