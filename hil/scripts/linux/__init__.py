"""The kernel as programs meet it: its interface, its calls by architecture, and what it tells of them."""
