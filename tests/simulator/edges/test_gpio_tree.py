"""Header files with the kernel's semantics; errors after drivers/gpio/gpiolib-sysfs.c, from memory."""

from __future__ import annotations

import errno
from collections.abc import Callable

import pytest

from simulator.edges.gpio_tree import gpio_tree
from simulator.model import Model

Build = Callable[..., Model]

GPIO = ("class", "gpio")
KEY = (*GPIO, "gpio84")


class Files:
    """The tree by path texts below class/gpio."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.tree = gpio_tree(model.board.lines)

    def path(self, text: str) -> tuple[str, ...]:
        return (*GPIO, *text.split("/")) if text else GPIO

    def write(self, text: str, data: str) -> int:
        return self.tree.write(self.path(text), data.encode())

    def read(self, text: str) -> str:
        return self.tree.read(self.path(text)).decode()


@pytest.fixture
def files(build: Build) -> Files:
    """The demo host, nothing exported."""
    return Files(build())


@pytest.fixture
def exported(files: Files) -> Files:
    """The key's line exported, still an input."""
    files.write("export", "84\n")
    return files


def test_nothing_is_exported_at_first(files: Files) -> None:
    assert files.tree.names(()) == ["class"]
    assert files.tree.names(GPIO) == ["export", "unexport", "gpiochip0"]
    assert [files.read(f"gpiochip0/{name}") for name in ("base", "label", "ngpio")] == [
        "0\n",
        "gpiochip0\n",
        "128\n",
    ]


def test_an_export_changes_no_level(exported: Files) -> None:
    assert "gpio84" in exported.tree.names(GPIO)
    assert exported.read("gpio84/direction") == "in\n"
    assert exported.read("gpio84/value") == "0\n"
    assert exported.read("gpio84/active_low") == "0\n"
    assert exported.read("gpio84/edge") == "none\n"


def test_direction_and_value_drive_the_pin(exported: Files) -> None:
    board = exported.model.board
    seen = []
    for name, data in (
        ("direction", "out"),
        ("value", "1"),
        ("value", "0"),
        ("value", "7\n"),
        ("direction", "in"),
    ):
        exported.write(f"gpio84/{name}", data)
        seen.append(board.level_at("16"))

    # Let go, the pin is low: the stage's own resistors hold it.
    assert seen == [False, True, False, True, False]


def test_high_sets_direction_and_level_in_one_step_without_a_glitch(exported: Files) -> None:
    exported.model.recorder.take()
    exported.write("gpio84/direction", "high\n")
    levels = [event.more["value"] for event in exported.model.recorder.take() if event.lane == "header/16"]

    assert levels == [1]


def test_active_low_inverts_values_but_not_the_words_high_and_low(exported: Files) -> None:
    exported.write("gpio84/active_low", "1")
    exported.write("gpio84/direction", "out")
    raw_low = exported.model.board.level_at("16"), exported.read("gpio84/value")
    exported.write("gpio84/value", "1")
    asserted = exported.model.board.level_at("16"), exported.read("gpio84/value")

    assert raw_low == (False, "1\n")
    assert asserted == (False, "1\n")


def test_an_unexported_line_keeps_or_reverts_its_level_as_the_host_does(build: Build) -> None:
    levels = []
    for release in ("keep", "revert"):
        files = Files(build(host={"release": release}))
        files.write("export", "84")
        files.write("gpio84/direction", "high")
        files.write("unexport", "84")
        levels.append(files.model.board.level_at("16"))

    assert levels == [True, False]


def test_a_line_that_kept_its_level_is_an_output_when_it_is_exported_again(exported: Files) -> None:
    exported.write("gpio84/direction", "high")
    exported.write("unexport", "84")
    exported.write("export", "84")

    assert (exported.read("gpio84/direction"), exported.read("gpio84/value")) == ("out\n", "1\n")


def test_numbers_count_from_the_base(build: Build) -> None:
    files = Files(build(host={"gpio_base": 400}))
    files.write("export", "484")

    assert files.tree.names(GPIO) == ["export", "unexport", "gpiochip400", "gpio484"]


@pytest.mark.parametrize("number", ["0x54", "0124", "84", "+84", "84\n"])
def test_numbers_are_read_as_the_kernel_reads_them(files: Files, number: str) -> None:
    files.write("export", number)

    assert "gpio84" in files.tree.names(GPIO)


WRONG_WRITES = [
    ("export", "84", errno.EBUSY),  # twice
    ("export", "128", errno.EINVAL),  # no such line
    ("export", "-1", errno.EINVAL),
    ("export", "\n", errno.EINVAL),
    ("export", "0x", errno.EINVAL),
    ("export", "99999999999999999999", errno.ERANGE),  # past 64 bits
    ("export", "eighty", errno.EINVAL),
    ("export", "84 85", errno.EINVAL),
    ("export", "8_4", errno.EINVAL),
    ("export", "089", errno.EINVAL),  # octal has no 8
    ("export", "84\n\n", errno.EINVAL),
    ("unexport", "85", errno.EINVAL),  # not exported
    ("unexport", "128", errno.EINVAL),
    ("unexport", "x", errno.EINVAL),
    ("gpio84/value", "1", errno.EPERM),  # an input
    ("gpio84/value", "x", errno.EPERM),  # the direction is looked at first
    ("gpio84/direction", "sideways", errno.EINVAL),
    ("gpio84/direction", "OUT", errno.EINVAL),
    ("gpio84/direction", "\n", errno.EINVAL),
    ("gpio84/direction", "out ", errno.EINVAL),
    ("gpio84/direction", "high\n\n", errno.EINVAL),
    ("gpio84/active_low", "yes", errno.EINVAL),
    ("gpio84/edge", "both sides", errno.EINVAL),
    ("gpio84/edge", "1", errno.EINVAL),
    ("gpio85/value", "1", errno.ENOENT),  # not exported
    ("gpio85/direction", "out", errno.ENOENT),
    ("gpio84/pull", "up", errno.ENOENT),
    ("gpiochip0/base", "5", errno.EACCES),
    ("gpiochip0/ngpio", "5", errno.EACCES),
    ("gpiochip1/base", "5", errno.ENOENT),
    ("gpio084/value", "1", errno.ENOENT),
    ("export/x", "1", errno.ENOTDIR),
]


@pytest.mark.parametrize(("path", "data", "number"), WRONG_WRITES)
def test_wrong_writes_get_the_kernel_s_error_and_move_nothing(
    exported: Files, path: str, data: str, number: int
) -> None:
    exported.model.recorder.take()
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        exported.write(path, data)

    assert caught.value.errno == number
    assert exported.model.recorder.take() == []


def test_a_bad_value_on_an_output_is_refused(exported: Files) -> None:
    exported.write("gpio84/direction", "out")
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        exported.write("gpio84/value", "high")

    assert caught.value.errno == errno.EINVAL


def test_an_output_cannot_wait_for_an_edge(exported: Files) -> None:
    exported.write("gpio84/edge", "rising")
    exported.write("gpio84/edge", "none")
    exported.write("gpio84/direction", "out")
    exported.write("gpio84/edge", "none")
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        exported.write("gpio84/edge", "both")

    assert caught.value.errno == errno.EIO
    assert exported.read("gpio84/edge") == "none\n"


def test_texts_end_at_a_nul_as_c_strings_do(exported: Files) -> None:
    assert exported.write("gpio84/direction", "high\0junk") == 9
    assert exported.model.board.level_at("16") is True


def test_an_empty_write_is_taken_and_does_nothing(exported: Files) -> None:
    assert exported.write("export", "") == 0
    assert exported.write("gpio84/direction", "") == 0


def test_a_level_that_changes_by_itself_is_announced_for_exported_lines_only(exported: Files) -> None:
    told: list[tuple[str, ...]] = []
    exported.tree.changed.listen(told.append)
    lines = exported.model.board.lines
    lines.changed.announce(lines.line(84))
    lines.changed.announce(lines.line(85))

    assert told == [(*KEY, "value")]


@pytest.mark.parametrize(
    ("path", "reading", "writing", "number"),
    [
        ("export", True, False, errno.EACCES),
        ("unexport", True, True, errno.EACCES),
        ("gpiochip0/label", False, True, errno.EACCES),
        ("gpio84", False, True, errno.EISDIR),
        ("gpio99/value", True, False, errno.ENOENT),
    ],
)
def test_wrong_openings_get_the_kernel_s_error(
    exported: Files, path: str, reading: bool, writing: bool, number: int
) -> None:
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        exported.tree.check_open(exported.path(path), reading=reading, writing=writing)

    assert caught.value.errno == number


def test_a_line_that_the_kernel_uses_cannot_be_exported(build: Build) -> None:
    files = Files(build(host={"lines": {"16": {"offset": 84, "used_by": "reset"}}}))
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        files.write("export", "84")

    assert caught.value.errno == errno.EBUSY


@pytest.mark.parametrize(
    ("edge", "active_low", "told"),
    [
        ("none", "0", 0),
        ("rising", "0", 2),
        ("falling", "0", 1),
        ("both", "0", 3),
        ("rising", "1", 1),  # an edge is one of the value, not of the level
        ("falling", "1", 2),
    ],
)
def test_edges_that_were_asked_for_are_told(exported: Files, edge: str, active_low: str, told: int) -> None:
    heard: list[tuple[str, ...]] = []
    exported.tree.told.listen(heard.append)
    exported.write("gpio84/active_low", active_low)
    exported.write("gpio84/edge", edge)
    before = exported.tree.events((*KEY, "value"))
    for level in (False, True, False, None, True):  # let go, the pin stays low: no edge
        exported.model.board.drive("16", level, by="test")

    assert before == 1
    assert exported.tree.events((*KEY, "value")) == 1 + told
    assert heard == [(*KEY, "value")] * told


def test_an_output_tells_no_edge(exported: Files) -> None:
    exported.write("gpio84/edge", "both")
    exported.write("gpio84/direction", "high")

    assert exported.tree.events((*KEY, "value")) == 1


def test_a_booted_host_has_nothing_exported(exported: Files) -> None:
    exported.model.restart_host()

    assert exported.tree.names(GPIO) == ["export", "unexport", "gpiochip0"]
    exported.write("export", "84")


def test_a_line_leads_to_its_chip_and_its_class(exported: Files) -> None:
    assert exported.tree.target((*KEY, "subsystem")) == "../../../class/gpio"
    assert exported.tree.entry((*KEY, "device")).is_link
    assert exported.read("gpio84/uevent") == ""
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        exported.tree.target((*KEY, "value"))
    assert caught.value.errno == errno.EINVAL


def test_a_file_is_no_folder(exported: Files) -> None:
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        exported.tree.names((*KEY, "value"))

    assert caught.value.errno == errno.ENOTDIR
