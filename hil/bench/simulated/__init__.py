"""The bench interface on a model: its edges and its pace behind it."""
