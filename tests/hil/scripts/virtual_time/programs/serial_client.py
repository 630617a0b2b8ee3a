"""pyserial: a dialogue with time-outs, and looking every 10 ms."""

import time

import serial

with serial.Serial("/dev/ttyUSB3", 115200, timeout=2) as port:
    port.dtr = True
    port.write(b"ATE0\r")
    print(port.read_until(b"OK\r\n"))
    port.write(b"AT+CGMR\r")
    print(port.read_until(b"OK\r\n"))
    print(port.read(10))
    port.timeout = 0.5
    print(port.read(10))
    port.write(b"AT+CFUN=4\r")
    looks = 0
    while not port.in_waiting:
        looks += 1
        time.sleep(0.01)
    print(looks, port.read(port.in_waiting), port.cts, port.dsr)
    port.timeout = 0
    until = time.monotonic() + 3
    while time.monotonic() < until:
        port.read(10)
        time.sleep(0.01)
