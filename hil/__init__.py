"""The bench side: suites, scripts and tools that run alike on a simulated and on a hardware bench."""
