"""What the host counts of damage that it sees: writes that its IOMMU refused, and errors of its memory.

From memory: an ECC memory corrects one wrong bit of a word, and tells two without correcting them (Hsiao 1970).
"""

from __future__ import annotations

import numpy as np
import pytest

from laneproof.readings import AtLeast, Exact, Unavailable
from laneproof_sim.damage.when import When
from laneproof_sim.faults import HostBitFlips, NeverWritten

BLOCK = 1 << 16


def echoed(one, data) -> np.ndarray:
    """What is wrong in each byte of four blocks that came back."""
    sent = data(4 * BLOCK)
    received = one.echo(sent, BLOCK).received
    return np.frombuffer(sent, np.uint8) ^ np.frombuffer(received, np.uint8)


def test_a_host_that_nothing_is_said_of_counts_nothing(bench, data):
    one = bench(faults=(NeverWritten(), HostBitFlips(at=0, bit=0)))
    assert echoed(one, data).any()
    seen = one.opened.read_conditions()
    assert isinstance(seen.iommu_faults, Unavailable)
    assert isinstance(seen.memory_errors, Unavailable)


def test_writes_that_the_iommu_refused_are_counted_and_nothing_is_written(bench, data):
    one = bench(faults=(NeverWritten(refused_by_iommu=True, when=When(every=2)),))
    assert one.opened.read_conditions().iommu_faults.n == 0
    wrong = echoed(one, data).reshape(4, BLOCK)
    assert [bool(block.any()) for block in wrong] == [False, True, False, True]
    counted = one.opened.read_conditions().iommu_faults
    assert isinstance(counted, AtLeast)
    assert counted.n == 2
    assert one.counts("near") == one.counts("far") == {}


@pytest.mark.parametrize(
    ("counted", "wrong_bits", "counts"),
    [
        ("corrected", 0, {"corrected": Exact(4), "uncorrected": Exact(0)}),
        ("uncorrected", 2, {"corrected": Exact(0), "uncorrected": Exact(4)}),
    ],
)
@pytest.mark.parametrize("bit", [0, 7])
def test_memory_with_ecc_counts_what_it_corrects_and_what_it_cannot(bench, data, counted, wrong_bits, counts, bit):
    one = bench(faults=(HostBitFlips(at=9, bit=bit, counted=counted),))
    wrong = echoed(one, data).reshape(4, BLOCK)
    assert [int(np.unpackbits(block).sum()) for block in wrong] == [wrong_bits] * 4
    assert not np.delete(wrong, 9, axis=1).any()
    assert one.opened.read_conditions().memory_errors == counts


def test_counts_of_several_channels_are_one_hosts(bench, data):
    one = bench(faults=(NeverWritten(refused_by_iommu=True),), card={"channels": 2})
    for channel in one.opened.channels:
        sent, into = np.frombuffer(data(64), np.uint8), np.zeros(64, np.uint8)
        channel.submit(1, sent, into)
        channel.advance(one.opened.clock.now_s() + 1.0)
    assert one.opened.read_conditions().iommu_faults.n == 2
