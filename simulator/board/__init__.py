"""Host header, carrier and supply: what each pin really does.  Knows no module behaviour."""
