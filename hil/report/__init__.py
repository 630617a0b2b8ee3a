"""Reports for people and for programs."""
