"""What moves and reads real hardware: narrow contracts, one file for each way to do it."""
