"""pexpect: a shell that sleeps, and the modem."""

import os

import pexpect
import pexpect.fdpexpect

shell = pexpect.spawn("/bin/sh", timeout=5, encoding="utf-8", echo=False)
shell.sendline("sleep 3; echo done")
print(shell.expect(["done", pexpect.TIMEOUT]))
shell.sendline("sleep 60")
print(shell.expect(["never", pexpect.TIMEOUT]))
shell.close(force=True)
os.system("stty -F /dev/ttyUSB3 raw -echo")
modem = pexpect.fdpexpect.fdspawn(os.open("/dev/ttyUSB3", os.O_RDWR | os.O_NOCTTY), timeout=5)
modem.send(b"ATE0\r")
print(modem.expect([b"OK\r\n", pexpect.TIMEOUT]))
modem.send(b"AT+CGMR\r")
print(modem.expect([rb"(TL4[^\r]*)\r\n", pexpect.TIMEOUT]), modem.match)
print(modem.expect([b"never", pexpect.TIMEOUT]))
