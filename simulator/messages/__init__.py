"""Short messages: stores, routes, the way to the service centre and back.  Knows no AT."""
