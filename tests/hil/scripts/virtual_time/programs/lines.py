"""The real Python gpiod: a press of exact width, an edge waited for, a busy line, news of lines."""

import asyncio
import errno
import subprocess
import sys
import time
from datetime import timedelta

import gpiod
from gpiod.line import Bias, Clock, Direction, Edge, Value

CHIP, KEY, RADIO, STATUS = "/dev/gpiochip0", 84, 85, 86
began_ns = time.monotonic_ns()


def say(*words: object) -> None:
    print(f"{(time.monotonic_ns() - began_ns) / 1e9:.6f}", *words, flush=True)


def output(value: Value = Value.INACTIVE) -> gpiod.LineSettings:
    return gpiod.LineSettings(direction=Direction.OUTPUT, output_value=value)


with gpiod.Chip(CHIP) as chip:
    info = chip.get_info()
    say(info.name, info.num_lines, chip.line_offset_from_id("MODEM_STATUS"))
    say([name for name in ("/dev/null", "/dev/zero", CHIP) if gpiod.is_gpiochip_device(name)])

edges = gpiod.LineSettings(edge_detection=Edge.BOTH)
with (
    gpiod.request_lines(CHIP, consumer="status", config={STATUS: edges}) as status,
    gpiod.request_lines(CHIP, consumer="key", config={KEY: output()}) as key,
):
    key.set_value(KEY, Value.ACTIVE)
    time.sleep(0.5)
    key.set_value(KEY, Value.INACTIVE)
    say("within 30 s:", status.wait_edge_events(timedelta(seconds=30)))
    for event in status.read_edge_events():
        say(event.event_type.name, event.line_offset, (event.timestamp_ns - began_ns) / 1e9, event.line_seqno)

    say("within 2.5 s:", status.wait_edge_events(2.5))
    second = "import gpiod, sys; gpiod.request_lines(sys.argv[1], config={int(sys.argv[2]): None})"
    other = subprocess.run(
        [sys.executable, "-c", second, CHIP, str(KEY)], check=False, capture_output=True, text=True
    )
    say(other.stderr.splitlines()[-1])
    try:
        status.set_value(STATUS, Value.ACTIVE)
    except OSError as error:
        say("an input:", errno.errorcode[error.errno or 0])

with gpiod.Chip(CHIP) as chip:
    chip.watch_line_info(RADIO)
    with chip.request_lines(consumer="radio", config={RADIO: output(Value.ACTIVE)}) as radio:
        time.sleep(0.25)
        radio.reconfigure_lines({RADIO: gpiod.LineSettings(direction=Direction.INPUT, bias=Bias.PULL_UP)})
        say("pulled:", radio.get_value(RADIO).name)
    while chip.wait_info_event(0):
        news = chip.read_info_event()
        say(news.event_type.name, (news.timestamp_ns - began_ns) / 1e9, news.line_info.consumer)


async def both() -> None:
    """An event loop reads edges while it does other things."""
    settings = gpiod.LineSettings(edge_detection=Edge.FALLING, event_clock=Clock.REALTIME)
    with (
        gpiod.request_lines(CHIP, config={STATUS: settings}) as lines,
        gpiod.request_lines(CHIP, config={KEY: output(Value.ACTIVE)}) as key,
    ):
        heard: asyncio.Queue[float] = asyncio.Queue()

        def take() -> None:
            for event in lines.read_edge_events():
                heard.put_nowait(time.time() - event.timestamp_ns / 1e9)

        asyncio.get_running_loop().add_reader(lines.fd, take)
        await asyncio.sleep(3.5)
        key.set_value(KEY, Value.INACTIVE)
        say("stopped", f"{await heard.get():.6f} s ago")
        try:
            await asyncio.wait_for(heard.get(), 0.9)
        except TimeoutError:
            say("nothing more")


time.sleep(10)
asyncio.run(both())
