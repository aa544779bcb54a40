"""Power cuts during a run, and what its ledger then holds: nothing damaged, at most a second lost.

A guest runs a soak and writes the ledger on a disk that forgets unflushed sectors (`lossy_disk`). The disk is cut at a
random moment, often amid a commit, and QEMU killed; another guest mounts what is left, so that the file system's
journal is the kernel's to replay. The witness is the card, an echo in this process: it notes when each byte went back,
at portions of 4 KiB, about fourteen a second. Outside references: Linux's ext4 and virtio_blk, mkfs.ext4, SQLite's own
check.
"""

from __future__ import annotations

import random
import re
import shutil
import socket
import sqlite3
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import power_cut_in_guest as there
import pytest
from attrs import define, field
from guest_image import Image, Missing
from guest_machine import GuestFailed, Machine, machine
from lossy_disk import LossyDisk

from laneproof.campaign import runner
from laneproof.campaign.ledger import read_ledger, verify
from laneproof.errors import StorageFault

pytestmark = [pytest.mark.kernel, pytest.mark.long, pytest.mark.timeout(300)]

CUTS = 5
"""Of one run, in the long tests."""
PORTION = 4096
PACE_S = 0.06
"""Seconds between two portions while the run is to last."""
LOST_S = 1.0
KIB = 4096
SOAK = f'schema = 1\n[[step]]\nkind = "soak"\nbytes = "{KIB} KiB"\nportion = "4 KiB"\n'
NO_RUN = re.compile("holds no run|is not a ledger of laneproof")
DISK_NBYTES = 16 << 20
BEGIN = ("plan.toml", "--endpoint", f"chardev:{there.CARD}", "--ledger", str(there.LEDGER))
GO_ON = ("--resume", str(there.LEDGER))


@define
class Witness:
    """An echo behind a UNIX-domain socket that notes, for its present connection, how much had gone back when."""

    path: Path
    paced: bool = True
    log: list[tuple[float, int]] = field(factory=list[tuple[float, int]])
    begun: threading.Event = field(factory=threading.Event)
    late_s: float = 0.0
    """How late this process was woken at most."""

    def serve(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            self.log, total = [(time.monotonic(), 0)], 0
            with connection, suppress(ConnectionError):
                while data := connection.recv(65536):
                    self.wait()
                    connection.sendall(data)
                    total += len(data)
                    self.log.append((time.monotonic(), total))
                    self.begun.set()

    def wait(self) -> None:
        if self.paced:
            from_s = time.monotonic()
            time.sleep(PACE_S)
            self.late_s = max(self.late_s, time.monotonic() - from_s - PACE_S)


@contextmanager
def echoing(path: Path) -> Iterator[Witness]:
    listener = socket.socket(socket.AF_UNIX)
    made = Witness(path)
    listener.bind(str(path))
    listener.listen(1)
    thread = threading.Thread(target=made.serve, args=(listener,))
    thread.start()
    try:
        yield made
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()


def formatted(path: Path) -> Path:
    """An image of ext4 with a journal."""
    program = shutil.which("mkfs.ext4", path="/usr/sbin:/sbin:/usr/bin:/bin")
    if program is None:
        pytest.skip("mkfs.ext4 is not installed (package e2fsprogs)")
    with path.open("wb") as file:
        file.truncate(DISK_NBYTES)
    subprocess.run([program, "-q", "-b", "4096", "-J", "size=4", "-m", "0", path], check=True, capture_output=True)
    return path


@contextmanager
def booted(image: Image, witness: Witness, disk: LossyDisk) -> Iterator[Machine]:
    """A guest that has this disk, mounted, and the card."""
    options = (
        *("-drive", f"file={disk.url},format=raw,if=none,id=disk", "-device", "virtio-blk-pci,drive=disk"),
        *(
            "-chardev",
            f"socket,id=card,path={witness.path}",
            "-device",
            f"virtserialport,chardev=card,name={there.CARD}",
        ),
    )
    try:
        with machine(image, (), "", options) as guest:
            guest.call(there.mount, "/dev/vda")
            yield guest
    except Missing as missing:
        pytest.skip(str(missing))


@define
class Cut:
    """One power cut, and what was known outside of the run until then."""

    when_s: float
    sectors_lost: int
    unsynced: int
    """Rows of the other database that had been committed."""
    late_s: float
    """By how much this process or the guest was woken late at most: what may have kept the run waiting too."""
    log: list[tuple[float, int]]

    def lost_s(self, kept: int) -> float:
        """Seconds before the cut from which on bytes had gone back that are not among the first `kept`."""
        # The portion under way may have gone back without having been verified.
        missing = [when for when, total in self.log if total - PORTION > kept]
        return max(0.0, self.when_s - min(missing, default=self.when_s))


def run_and_cut(
    guest: Machine,
    arguments: tuple[str, ...],
    disk: LossyDisk,
    witness: Witness,
    chance: random.Random,
    *,
    early: bool = False,
) -> Cut:
    """Starts a run, lets it go on for a random time, and cuts the power."""
    witness.begun.clear()
    witness.late_s = 0.0
    guest.call(there.start, SOAK, *arguments)
    if early:  # as it starts: while it opens the ledger, or says in it that it goes on
        time.sleep(chance.uniform(4.0, 10.0))
    else:
        assert witness.begun.wait(120)
        guest.call(there.so_far)
        time.sleep(chance.uniform(2.0, 4.0))
    assert not guest.call(there.ended), guest.call(there.outcome)
    cut_s, _, lost = disk.cut(writes=chance.choice((0, 1, 2, 3, 5, 8)))
    log = list(witness.log)
    unsynced, late_s = guest.call(there.so_far)
    guest.stop()
    return Cut(cut_s, lost, unsynced, witness.late_s + late_s, log)


def copied(guest: Machine, folder: Path) -> Path:
    """The ledger that stands on the guest's disk."""
    for old in folder.glob(f"{there.LEDGER.name}*"):
        old.unlink()
    for name, data in guest.call(there.files).items():
        (folder / name).write_bytes(data)
    return folder / there.LEDGER.name


def begun(ledger: Path) -> bool:
    """Whether the run had begun when it was cut off."""
    try:
        read_ledger(ledger)
    except StorageFault as fault:
        if not NO_RUN.search(str(fault)):
            raise
        return False
    return True


def kept_in(ledger: Path, segment: int) -> int:
    with closing(sqlite3.connect(ledger)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        (kept,) = database.execute(
            "SELECT coalesce(sum(bytes), 0) FROM sample WHERE segment = ?", (segment,)
        ).fetchone()
    return kept


@define
class AfterCut:
    cut: Cut
    guest: Machine
    witness: Witness
    ledger: Path
    """As it was copied before anybody opened it."""


@pytest.fixture(scope="module")
def after(kernel_image: Image, tmp_path_factory: pytest.TempPathFactory) -> Iterator[AfterCut]:
    """A run in a guest whose power was cut, and another guest with what its disk kept."""
    folder = tmp_path_factory.mktemp("cut")
    storage, chance = formatted(folder / "storage"), random.Random(3)
    with echoing(folder / there.CARD) as witness:
        with LossyDisk(storage, folder / "before", 1) as disk, booted(kernel_image, witness, disk) as guest:
            guest.call(there.write_unsynced)
            cut = run_and_cut(guest, BEGIN, disk, witness, chance)
        with LossyDisk(storage, folder / "after", 2) as disk, booted(kernel_image, witness, disk) as guest:
            yield AfterCut(cut, guest, witness, copied(guest, folder))


def test_the_ledger_is_whole_after_a_power_cut_and_has_lost_at_most_a_second(after: AfterCut) -> None:
    assert verify(after.ledger).broken_at is None
    result = read_ledger(after.ledger)
    assert [(segment.ended, segment.gap_s) for segment in result.segments] == [(None, None)]
    kept = kept_in(after.ledger, 0)
    assert result.endpoints[0].steps[0].bytes_moved == kept > 0
    assert after.cut.lost_s(kept) <= LOST_S + after.cut.late_s


def test_what_did_not_wait_for_the_disk_is_lost_by_the_same_cut(after: AfterCut) -> None:
    lost = after.cut.unsynced - after.guest.call(there.kept_unsynced)
    assert lost * there.UNSYNCED_EVERY_S > LOST_S


def test_a_full_disk_is_one_line_and_what_was_committed_stays_readable(after: AfterCut, tmp_path: Path) -> None:
    before = kept_in(after.ledger, 0)
    after.witness.begun.clear()
    after.guest.call(there.start, SOAK, *GO_ON)
    assert after.witness.begun.wait(120)
    time.sleep(1.5)
    after.guest.call(there.fill)
    status, err = after.guest.call(there.outcome)
    assert status == 4
    assert err.startswith(f"laneproof: cannot write ledger {there.LEDGER}: ")
    assert err.count("\n") == 1
    ledger = copied(after.guest, tmp_path)
    assert kept_in(ledger, 0) == before
    assert kept_in(ledger, 1) > 0
    assert verify(ledger).broken_at is None
    assert read_ledger(ledger).interrupted


def test_a_run_that_lost_its_power_goes_on_to_its_end(
    after: AfterCut, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = tmp_path / "run.ledger"
    for path in after.ledger.parent.glob(f"{ledger.name}*"):
        shutil.copyfile(path, tmp_path / path.name)
    before = kept_in(ledger, 0)
    monkeypatch.chdir(tmp_path)
    with echoing(tmp_path / there.CARD) as card:
        card.paced = False
        result = runner.resume(ledger)
    (step,) = result.endpoints[0].steps
    assert [segment.ended for segment in result.segments] == ["cut off", "finished"]
    assert (step.measures["bytes_checked"], step.measures["mismatched_bits"]) == (KIB << 10, 0)
    assert kept_in(ledger, 0) == before
    assert kept_in(ledger, 1) == (KIB << 10) - before


@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", range(4))
def test_twenty_power_cuts_lose_at_most_a_second_each(
    kernel_image: Image,
    tmp_path: Path,
    seed: int,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    storage, chance = formatted(tmp_path / "storage"), random.Random(seed)
    kept: list[int] = []
    lost: list[float] = []
    cut: Cut | None = None
    sectors_lost = 0
    monkeypatch.chdir(tmp_path)
    with echoing(tmp_path / there.CARD) as witness:
        for number in range(CUTS + 1):
            with (
                LossyDisk(storage, tmp_path / f"disk{number}", chance.randrange(1 << 30)) as disk,
                booted(kernel_image, witness, disk) as guest,
            ):
                ledger = copied(guest, tmp_path)
                if ledger.exists() and begun(ledger):
                    assert verify(ledger).broken_at is None
                    result = read_ledger(ledger)
                    now = [kept_in(ledger, segment) for segment in range(len(result.segments))]
                    assert now[: len(kept)] == kept, "what an earlier process had recorded is not what it was"
                    if cut is not None and len(now) > len(kept):
                        lost.append(cut.lost_s(now[-1]))
                        assert lost[-1] <= LOST_S + cut.late_s, f"cut {number}: lost {lost[-1]:.2f} s"
                    kept = now
                if number < CUTS:
                    if not kept:
                        guest.call(there.remove_ledger)  # which no run had begun to fill
                    arguments = GO_ON if kept else BEGIN
                    cut = run_and_cut(guest, arguments, disk, witness, chance, early=number == 3)
                    sectors_lost += cut.sectors_lost
        witness.paced = False
        result = runner.resume(ledger)
    assert result.endpoints[0].steps[0].measures["bytes_checked"] == KIB << 10
    assert [segment.ended for segment in result.segments] == ["cut off"] * len(kept) + ["finished"]
    assert len(lost) >= CUTS - 1
    assert sectors_lost > 0
    with capfd.disabled():
        print(
            f"\n{CUTS} power cuts, {len(lost)} of them in a segment of its own: lost {max(lost):.2f} s at most, "
            f"{sum(lost) / len(lost):.2f} s on average; the disk forgot {sectors_lost} sectors"
        )


def test_a_disk_that_lies_about_flushes_loses_what_was_committed(kernel_image: Image, tmp_path: Path) -> None:
    storage = formatted(tmp_path / "storage")
    with echoing(tmp_path / there.CARD) as witness:
        with (
            LossyDisk(storage, tmp_path / "before", 1, lies=True) as disk,
            booted(kernel_image, witness, disk) as guest,
        ):
            cut = run_and_cut(guest, BEGIN, disk, witness, random.Random(1))
        assert cut.sectors_lost > 10
        with LossyDisk(storage, tmp_path / "after", 1) as disk:
            try:
                with booted(kernel_image, witness, disk) as guest:
                    ledger = copied(guest, tmp_path)
                sound = verify(ledger).broken_at is None
                kept = kept_in(ledger, 0)
            except (GuestFailed, StorageFault, sqlite3.Error):  # no file system, or no ledger, any more
                return
    assert not sound or cut.lost_s(kept) > LOST_S + cut.late_s
