"""The AT client, sans-I/O: bytes in, replies and unsolicited lines out."""
