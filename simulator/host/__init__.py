"""What the host's kernel makes of lines and bus: requests, messages, devices.  Knows no file and no call."""
