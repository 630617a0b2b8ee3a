"""The modem module itself: power, ports, radio, clock.  Knows no AT."""
