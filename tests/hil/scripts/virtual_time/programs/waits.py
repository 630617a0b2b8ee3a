"""Sleeps, descriptors, events, a child with a time-out, an alarm, tasks and threads."""

import asyncio
import os
import select
import signal
import subprocess
import threading
import time

began = time.monotonic()


def say(what: str) -> None:
    print(f"{time.monotonic() - began:.6f} {what}", flush=True)


def later() -> None:
    time.sleep(1.5)
    say("thread")


async def gather() -> None:
    await asyncio.gather(asyncio.sleep(2), asyncio.wait_for(asyncio.sleep(1), 3))


time.sleep(1.25)
say("slept")
reader, writer = os.pipe()
select.select([reader], [], [], 2)
poll = select.poll()
poll.register(reader)
poll.poll(500)
epoll = select.epoll()
epoll.register(reader)
epoll.poll(0.75)
say("waited for nothing")
threading.Event().wait(3)
thread = threading.Thread(target=later)
thread.start()
thread.join()
try:
    subprocess.run(["sleep", "60"], timeout=5, check=False)
except subprocess.TimeoutExpired:
    say("child timed out")
signal.signal(signal.SIGALRM, lambda *_: say("alarm"))
signal.alarm(7)
time.sleep(10)
asyncio.run(gather())
say("end")
