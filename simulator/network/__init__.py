"""The cell and the module's registration with it.  Knows no AT."""
