"""One bench interface, several kinds of bench behind it."""
