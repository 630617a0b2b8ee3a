"""The card in the module's slot.  Knows no AT and no network."""
