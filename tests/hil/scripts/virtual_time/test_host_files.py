"""What a script sees of its host besides time: messages, names of ports, the bus, edges by poll."""

from __future__ import annotations

from collections.abc import Callable

from hil.scripts.runner import ScriptRun

Run = Callable[..., ScriptRun]


def test_the_kernel_s_messages_are_the_host_s_with_the_bench_s_times(run: Run) -> None:
    result = run(
        "sh",
        """
        dmesg | head -n 2
        sleep 2.5
        echo '<5>gauge: begun' >/dev/kmsg
        echo 1-1:1.3 >/sys/bus/usb/drivers/usbserial_generic/unbind
        dmesg --notime --level=notice
        dmesg | tail -n 2
        """,
    )

    assert result.stdout.decode().splitlines() == [
        "[    0.000000] Booting Linux on physical CPU 0x0",
        "[ 1000.000000] usb 1-1: new high-speed USB device number 2 using xhci_hcd",
        "gauge: begun",
        "[ 1002.500000] generic ttyUSB3: generic converter now disconnected from ttyUSB3",
        "[ 1002.500000] usbserial_generic 1-1:1.3: device disconnected",
    ], result


def test_who_follows_the_messages_waits_for_later_ones_until_it_is_ended(run: Run) -> None:
    result = run(
        "sh",
        """
        timeout 5 dmesg --follow | tail -n 2 &
        cat /dev/kmsg >/tmp/all & cat=$!
        sleep 1.5
        echo 1-1:1.3 >/sys/bus/usb/drivers/usbserial_generic/unbind
        sleep 1
        kill $cat; wait $cat 2>/dev/null; echo "cat $?"
        tail -n 1 /tmp/all
        wait
        cut -d ' ' -f 1 /proc/uptime
        """,
    )

    assert result.stdout.decode().splitlines() == [
        "cat 143",
        "6,16,1001500000,-;usbserial_generic 1-1:1.3: device disconnected",
        "[ 1001.500000] generic ttyUSB3: generic converter now disconnected from ttyUSB3",
        "[ 1001.500000] usbserial_generic 1-1:1.3: device disconnected",
        "1005.00",
    ], result


def test_a_program_reads_and_polls_messages_at_their_instant(run: Run) -> None:
    result = run(
        "python3",
        """
        import os, select, signal, threading, time
        began = time.monotonic()
        def say(*words):
            print(f"{time.monotonic() - began:.3f}", *words)
        def write(text):
            os.write(log, text)
        file, log = os.open("/dev/kmsg", os.O_RDONLY), os.open("/dev/kmsg", os.O_WRONLY)
        os.lseek(file, 0, os.SEEK_END)
        threading.Timer(1, write, [b"one"]).start()
        say(os.read(file, 8192).partition(b";")[2])
        poll = select.epoll()
        poll.register(file, select.EPOLLIN)
        say(poll.poll(0.5))
        threading.Timer(1, write, [b"two"]).start()
        say([events for _, events in poll.poll(60)])
        say(os.read(file, 8192).partition(b";")[2])
        os.set_blocking(file, False)
        try:
            os.read(file, 8192)
        except BlockingIOError:
            say("nothing")
        os.set_blocking(file, True)
        def ring(*_):
            raise TimeoutError
        signal.signal(signal.SIGALRM, ring)
        signal.setitimer(signal.ITIMER_REAL, 2)
        try:
            os.read(file, 8192)
        except TimeoutError:
            say("interrupted")
        """,
    )

    assert result.stdout.decode().splitlines() == [
        "1.000 b'one\\n'",
        "1.500 []",
        "2.500 [1]",
        "2.500 b'two\\n'",
        "2.500 nothing",
        "4.500 interrupted",
    ], result


def test_ports_are_found_by_what_they_are_and_go_with_the_permission(run: Run) -> None:
    result = run(
        "sh",
        """
        at=$(echo /dev/serial/by-id/*-if03-port0)
        readlink $at
        cat "$(readlink -f /sys/class/tty/ttyUSB3/device/..)"/bInterfaceNumber
        stty -F $at 115200 raw -echo; exec 3<>$at; printf 'ATE0\\r' >&3; timeout 5 head -n 2 <&3 | tail -n 1
        exec 3>&-
        echo 0 >/sys/bus/usb/devices/1-1/authorized
        ls /dev/serial/by-id /dev/serial/by-path; [ -e /dev/ttyUSB3 ] || echo gone
        echo 1 >/sys/bus/usb/devices/1-1/authorized
        ls /dev/serial/by-id | wc -l
        """,
    )

    assert result.stdout.decode().split() == [
        *("../../ttyUSB3", "03", "OK", "/dev/serial/by-id:", "/dev/serial/by-path:", "gone", "4")
    ], result


def test_a_poll_of_a_line_s_value_ends_at_the_edge(run: Run) -> None:
    result = run(
        "python3",
        """
        import select, time
        gpio = "/sys/class/gpio/"
        def write(name, text):
            with open(gpio + name, "w") as file:
                file.write(text)
        for line in ("84", "86"):
            write("export", line)
        write("gpio86/edge", "both")
        write("gpio84/direction", "high")
        value = open(gpio + "gpio86/value")
        value.read()
        poller = select.poll()
        poller.register(value, select.POLLPRI | select.POLLERR)
        began = time.monotonic()
        print(poller.poll(250), f"{time.monotonic() - began:.6f}")
        time.sleep(0.25)
        write("gpio84/value", "0")
        events = poller.poll(60000)
        value.seek(0)
        print([event for _, event in events], value.read().strip(), f"{time.monotonic() - began:.6f}")
        print(select.select([], [], [value], 1), f"{time.monotonic() - began:.6f}")
        """,
        bench="upper-station",
    )

    assert result.stdout.decode().splitlines() == [
        "[] 0.250000",
        "[10] 1 0.500000",
        "([], [], []) 1.500000",
    ], result


CHANCE = """
head -c 8 /dev/urandom | od -An -tx1
od -An -N4 -tu4 /dev/random
cat /proc/sys/kernel/random/uuid
mktemp
echo $RANDOM
echo seed >/dev/urandom
python3 -c 'import os; print(os.urandom(4).hex(), id(os))'
cat /dev/urandom | head -c 20000 | wc -c
"""


def test_all_chance_that_a_script_finds_comes_from_the_bench_s_seed(run: Run) -> None:
    first, again, other = (
        run("bash", CHANCE, overrides={"bench": {"seed": seed}}).stdout.decode().splitlines()
        for seed in (1, 1, 2)
    )

    assert first == again
    assert all(one != another for one, another in zip(first[:3], other[:3], strict=True))
    assert first[0] != first[1]
    assert first[-1] == "20000"


def test_a_program_may_hold_every_device_that_is_served_while_it_opens_and_closes_ports(run: Run) -> None:
    # Where the port's holders are looked for, such files must not be asked: they are answered by who looks.
    result = run(
        "bash",
        """
        exec 3</dev/urandom 4</dev/random 5</dev/kmsg 6</proc/uptime 7<>/dev/ttyUSB3
        printf 'AT\\r' >&7; head -n 1 <&7
        exec 7>&-; sleep 1
        """,
    )

    assert result.stdout.split() == [b"AT"], result


def test_scratch_files_outlive_their_folder_while_open_and_change_places(run: Run) -> None:
    result = run(
        "python3",
        """
        import ctypes, errno, os, shutil, tempfile
        folder = tempfile.mkdtemp()
        file = os.open(folder + "/f", os.O_RDWR | os.O_CREAT)
        os.write(file, b"before")
        shutil.rmtree(folder)
        os.write(file, b", after")
        print(os.pread(file, 99, 0))
        os.ftruncate(file, 3)
        print(os.pread(file, 99, 0))
        os.close(file)

        os.chdir(tempfile.mkdtemp())
        for name in "ab":
            open(name, "w").write(name)
        libc = ctypes.CDLL(None, use_errno=True)
        for flags in (1, 2):  # no replacement, exchange (linux/fs.h)
            done = libc.renameat2(-100, b"a", -100, b"b", flags)
            print(done and errno.errorcode[ctypes.get_errno()], open("a").read(), open("b").read())
        """,
    )

    assert result.stderr == b""
    assert result.stdout.decode().splitlines() == [
        "b'before, after'",
        "b'bef'",
        "EEXIST a b",
        "0 b a",
    ], result
