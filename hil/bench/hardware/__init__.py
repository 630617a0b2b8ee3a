"""The bench interface on real hardware: drivers beneath, guards between, one recording."""
