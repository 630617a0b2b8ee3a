"""Octets as standards lay them out: values in, octets out, and back.  Knows nothing of modems."""
