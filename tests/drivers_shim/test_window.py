"""A window mapped from real files, with a copy engine that a thread plays; PCI functions as files that look like /sys.

What a real device and its kernel do is seen in tests/kernel.
"""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from window_parts import ADDRESS, MIB, REGISTERS, FakeFunction, engine, engine_options

import laneproof
from laneproof.clock import Deadline
from laneproof.contract import Address, Card, IdentitySource, WindowPath
from laneproof.errors import BadInput, CannotOpen, CardInUse, DeviceLost, DriverFault
from laneproof.registry import read_options
from laneproof_drivers import mapped_words
from laneproof_drivers.pci_observer import PciObservers
from laneproof_drivers.window import MappedWindow, WindowDriver

LONG_S = 10.0
KIB = 1024
Open = Callable[..., Card]


@pytest.fixture
def memory(tmp_path: Path) -> Path:
    path = tmp_path / "memory"
    path.write_bytes(bytes(MIB))
    return path


@pytest.fixture
def open_card() -> Iterator[Open]:
    cards: list[Card] = []

    def opened(path: object, iomem: Path = Path("/proc/iomem"), timeout_s: float = LONG_S, **options: str) -> Card:
        root = Path(str(path)).parents[5] if ADDRESS in str(path) else None
        driver = WindowDriver(iomem, PciObservers(root))
        with Deadline(timeout_s) as deadline:
            cards.append(driver.connect(Address(str(path)), read_options(driver, options), deadline))
        return cards[-1]

    yield opened
    for card in cards:
        card.close()
        card.close()


def window_of(card: Card) -> MappedWindow:
    path = card.channels[0].path
    assert isinstance(path, MappedWindow)
    return path


def put(path: WindowPath, offset: int, data: bytes) -> int:
    with Deadline(LONG_S) as deadline:
        return path.write(offset, memoryview(data), deadline)


def got(path: WindowPath, offset: int, nbytes: int) -> bytes:
    into = bytearray(nbytes)
    with Deadline(LONG_S) as deadline:
        assert path.read_into(offset, memoryview(into), deadline) == nbytes
    return bytes(into)


def data(nbytes: int) -> bytes:
    return np.random.default_rng(5).bytes(nbytes)


# --- what is mapped -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", [1, 2, 4, 8])
def test_what_is_written_stands_in_the_file_at_its_place(memory: Path, open_card: Open, word: int) -> None:
    window = window_of(open_card(memory, offset="0x1230", size="64KiB", word=str(word)))
    assert window.size == 64 * KIB
    out = data(5000 * word)
    assert put(window, 8 * word, out) == len(out)
    assert got(window, 8 * word, len(out)) == out
    content = memory.read_bytes()
    start = 0x1230 + 8 * word
    assert content[start : start + len(out)] == out
    assert not any(content[:start])
    assert not any(content[start + len(out) :])


def test_buffers_at_odd_addresses_are_moved_too(memory: Path, open_card: Open) -> None:
    window = window_of(open_card(memory, word="8"))
    out = memoryview(b"x" + data(800))[1:]
    into = memoryview(bytearray(801))[1:]
    with Deadline(LONG_S) as deadline:
        window.write(0, out, deadline)
        window.read_into(0, into, deadline)
    assert into == out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"offset": "0x2", "size": "64B"}, "not aligned to words of 4 bytes"),
        ({"offset": "0x100000"}, "is not within"),
        ({"size": "2MiB"}, "is not within"),
        ({"size": "2B"}, "at least 4 bytes"),
        ({"size": "64"}, "not a quantity"),
        ({"word": "3"}, "word"),
        ({"offset": "-4"}, "offset"),
        ({"colour": "blue"}, "unknown key"),
        ({"source_register": "0x80"}, "the engine lacks destination_register"),
        (REGISTERS | {"source_register": "0x84"}, "not aligned to register_word"),
        (REGISTERS, "register at 0x80 lies within the window"),
        (REGISTERS | {"offset": "4096", "done": "0x10"}, "bits that done_mask"),
        (REGISTERS | {"offset": "4096", "register_word": "4", "error_mask": "0x100000000"}, "error_mask does not fit"),
    ],
)
def test_options_that_make_no_sense_are_refused_in_one_line(
    memory: Path, open_card: Open, options: dict[str, str], words: str
) -> None:
    with pytest.raises(BadInput, match=words) as caught:
        open_card(memory, **options)
    assert "\n" not in str(caught.value)


def test_what_cannot_be_a_window_is_not_opened(tmp_path: Path, open_card: Open) -> None:
    for path, words in (
        (tmp_path / "missing", "does not exist"),
        (tmp_path, "cannot be opened"),
        ("/dev/null", "size"),
    ):
        with pytest.raises((CannotOpen, BadInput), match=words):
            open_card(path)
    with pytest.raises(CannotOpen, match="/dev/null cannot be mapped"):
        open_card("/dev/null", size="4KiB")


def test_all_of_the_computers_memory_is_no_window(open_card: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("laneproof_drivers.window._ALL_MEMORY", (1, 5))  # /dev/zero stands for /dev/mem
    with pytest.raises(BadInput, match="is all of this computer's memory"):
        open_card("/dev/zero", size="4KiB")


def test_a_file_that_cannot_hold_what_would_be_written_is_not_opened(
    memory: Path, open_card: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("os.posix_fallocate", full)
    with pytest.raises(CannotOpen, match="no room"):
        open_card(memory)


def test_a_window_that_another_laneproof_has_is_in_use(memory: Path, open_card: Open) -> None:
    open_card(memory)
    with pytest.raises(CardInUse, match="another laneproof"):
        open_card(memory)


def test_a_closed_window_is_the_drivers_fault_and_no_crash(memory: Path, open_card: Open) -> None:
    card = open_card(memory)
    card.close()
    with pytest.raises(DriverFault, match="closed"):
        got(window_of(card), 0, 4)


def test_a_file_that_was_cut_short_is_noticed_before_it_is_touched(memory: Path, open_card: Open) -> None:
    window = window_of(open_card(memory))
    os.truncate(memory, 4096)
    with pytest.raises(DriverFault, match="cut to 4096 bytes"):
        got(window, 8192, 4)


def test_a_transfer_ends_at_the_deadline_with_what_it_moved(
    memory: Path, open_card: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mapped_words, "_MOST", mapped_words._FEW)
    window = window_of(open_card(memory, word="1"))
    with Deadline(0.0) as over:
        assert window.write(0, memoryview(bytes(MIB)), over) == mapped_words._FEW
        assert window.read_into(0, memoryview(bytearray(MIB)), over) == mapped_words._FEW


def test_writes_that_combine_are_refused_where_their_order_is_not_known(
    tmp_path: Path, open_card: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platform.machine", lambda: "aarch64")
    with pytest.raises(CannotOpen, match=r"open .*/resource0$"):
        open_card(tmp_path / "resource0_wc")


def test_an_endpoint_on_a_window_proves_every_byte(memory: Path, install: Callable[..., None]) -> None:
    install(WindowDriver(), "memory")
    with laneproof.open(f"memory:{memory}?word=8&rate=1GB/s", acknowledge_cautions=True) as card:
        assert card.limits.granularity == 8
        assert card.limits.nominal_bytes_per_s == 1e9
        assert card.check("prbs31", 3 * MIB, block=256 * KIB).ok
    with laneproof.open(f"memory:{memory}", acknowledge_cautions=True) as card:
        result = card.check("prbs31", MIB, block=64 * KIB, progress=lambda done: flip(memory) if done == 65536 else 0)
        assert result.mismatched_bits == 1
        assert result.first == MIB - 1


def flip(path: Path) -> None:
    """Change the last bit of what a window over this file holds."""
    with path.open("r+b") as file:
        file.seek(-1, os.SEEK_END)
        last = file.read(1)[0]
        file.seek(-1, os.SEEK_END)
        file.write(bytes([last ^ 1]))


# --- the copy engine ------------------------------------------------------------------------------------------


@pytest.fixture
def registers(tmp_path: Path) -> Path:
    path = tmp_path / "registers"
    path.write_bytes(bytes(4096))
    return path


def test_an_engine_copies_by_the_cards_own_addresses(
    memory: Path, registers: Path, install: Callable[..., None]
) -> None:
    install(WindowDriver(), "memory")
    with (
        engine(memory, registers) as copied,
        laneproof.open(f"memory:{memory}", options=engine_options(registers), acknowledge_cautions=True) as card,
    ):
        assert card.check("prbs31", 64 * KIB, block=8 * KIB).ok
    half = 32 * KIB
    assert copied[:4] == [(0x40000000 + at, 0x40000000 + half + at, 8 * KIB) for at in range(0, half, 8 * KIB)]


def test_an_engine_that_says_it_failed_is_a_fault_with_its_status(
    memory: Path, registers: Path, open_card: Open
) -> None:
    window = window_of(open_card(memory, **engine_options(registers)))
    assert window.engine is not None
    with (
        engine(memory, registers, "fail"),
        Deadline(LONG_S) as deadline,
        pytest.raises(DriverFault, match="its status is 0x2"),
    ):
        window.engine.copy(0, 4096, 64, deadline)


def test_an_engine_that_hangs_copied_nothing_and_is_not_started_again(
    memory: Path, registers: Path, open_card: Open
) -> None:
    window = window_of(open_card(memory, **engine_options(registers)))
    assert window.engine is not None
    with engine(memory, registers, "hang") as copied:
        for _ in range(2):
            with Deadline(0.1) as deadline:
                assert window.engine.copy(0, 4096, 64, deadline) == 0
        assert len(copied) == 1


# --- PCI functions --------------------------------------------------------------------------------------------


@pytest.fixture
def function(tmp_path: Path) -> FakeFunction:
    return FakeFunction(tmp_path)


def test_a_function_tells_who_it_is(function: FakeFunction, open_card: Open) -> None:
    card = open_card(function.bar, function.iomem)
    part = card.part(IdentitySource)
    assert part is not None
    with Deadline(LONG_S) as deadline:
        assert part.read_identity(deadline).model == "1234:11e8"


def test_a_function_with_its_memory_off_is_not_opened_and_the_remedy_named(
    function: FakeFunction, open_card: Open
) -> None:
    function.configure(command=0)
    with pytest.raises(CannotOpen, match=rf"`setpci -s {ADDRESS} COMMAND=2:2`"):
        open_card(function.bar, function.iomem)


def test_a_function_that_does_not_answer_is_not_opened(function: FakeFunction, open_card: Open) -> None:
    function.configure(vendor=0xFFFF)
    with pytest.raises(CannotOpen, match="all ones"):
        open_card(function.bar, function.iomem)


def test_a_function_that_is_not_ready_is_waited_for_until_the_deadline(function: FakeFunction, open_card: Open) -> None:
    function.configure(vendor=0x0001)
    with pytest.raises(CannotOpen, match="not ready"):
        open_card(function.bar, function.iomem, timeout_s=0.1)
    timer = threading.Timer(0.1, function.configure)
    timer.start()
    assert open_card(function.bar, function.iomem)
    timer.join()


def test_a_function_that_a_driver_has_is_not_taken_from_it(function: FakeFunction, open_card: Open) -> None:
    function.bind("mydriver")
    with pytest.raises(CardInUse, match=rf"mydriver drives it.*`echo {ADDRESS} > /sys/.*/driver/unbind`"):
        open_card(function.bar, function.iomem)


def test_memory_that_somebody_has_claimed_without_a_driver_is_not_opened(
    function: FakeFunction, open_card: Open
) -> None:
    function.claims("BOOTFB")
    with pytest.raises(CardInUse, match="BOOTFB has claimed it"):
        open_card(function.bar, function.iomem)


def test_a_driver_that_only_keeps_others_away_leaves_the_memory_free(function: FakeFunction, open_card: Open) -> None:
    function.bind("pci-stub")
    assert open_card(function.bar, function.iomem)


def test_memory_that_another_process_has_open_is_in_use(function: FakeFunction, open_card: Open) -> None:
    hold = [sys.executable, "-Ic", "import sys; f = open(sys.argv[1]); print(flush=True); sys.stdin.read()"]
    with subprocess.Popen([*hold, function.bar], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        with pytest.raises(CardInUse, match=f"process {other.pid}"):
            open_card(function.bar, function.iomem)
        other.communicate()


def test_a_range_of_ports_is_no_memory(function: FakeFunction, open_card: Open) -> None:
    (function.folder / "resource").write_text("0xe000 0xe01f 0x40101\n")
    with pytest.raises(CannotOpen, match="range of ports"):
        open_card(function.bar, function.iomem)


def test_all_ones_are_data_while_the_function_answers(function: FakeFunction, open_card: Open) -> None:
    window = window_of(open_card(function.bar, function.iomem))
    put(window, 0, b"\xff" * 4096)
    assert got(window, 0, 4096) == b"\xff" * 4096


@pytest.mark.parametrize("call", [got, put])
def test_a_function_that_does_not_answer_any_more_is_lost(
    function: FakeFunction, open_card: Open, call: Callable[..., object]
) -> None:
    window = window_of(open_card(function.bar, function.iomem))
    function.configure(vendor=0xFFFF)
    with pytest.raises(DeviceLost, match="all ones"):
        call(window, 0, 64 if call is got else bytes(64))


def test_a_function_that_goes_during_a_read_is_lost(
    function: FakeFunction, open_card: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    window = window_of(open_card(function.bar, function.iomem))
    put(window, 0, b"\xff" * 64)
    works = mapped_words.MappedWords.read_into

    def last_read(self: mapped_words.MappedWords, *arguments: object) -> int:
        function.configure(vendor=0xFFFF)
        return works(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(mapped_words.MappedWords, "read_into", last_read)
    with pytest.raises(DeviceLost, match="all ones"):
        got(window, 0, 64)


def test_a_function_that_linux_no_longer_shows_is_lost_before_its_memory_is_touched(
    function: FakeFunction, open_card: Open
) -> None:
    window = window_of(open_card(function.bar, function.iomem))
    (function.folder / "config").unlink()
    with pytest.raises(DeviceLost, match=f"no longer shows {ADDRESS}"):
        got(window, 0, 64)


def test_registers_in_the_same_bar_by_its_other_name_must_lie_apart_from_the_window(
    function: FakeFunction, open_card: Open
) -> None:
    combining = function.folder / "resource0_wc"
    combining.write_bytes(bytes(MIB))
    with pytest.raises(BadInput, match="lies within the window"):
        open_card(combining, function.iomem, **REGISTERS, registers_file=str(function.bar))
