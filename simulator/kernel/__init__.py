"""Time, chance and record: what every part of the model is built on.  Knows nothing of modems."""
