"""The AT interface: bytes from a port in, replies and unsolicited lines out (ITU-T V.250, 3GPP TS 27.007)."""
