"""What stands between a suite and real hardware: below every path that a test can take."""
