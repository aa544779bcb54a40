"""The codec in C against the one in Python, both ways, over frames and over noise; compiled strictly, and watched by
the compiler's sanitizers for reads, writes and arithmetic that are undefined."""

from __future__ import annotations

import random
import shutil
import struct
import subprocess
import zlib
from pathlib import Path

import pytest

from laneproof_drivers.framing.cobs import stuffed, unstuffed
from laneproof_drivers.framing.frame import Frame, FrameDecoder, FrameError, encoded

HERE = Path(__file__).parent
CODEC = HERE.parent.parent / "examples/frame_codec_c"
CC = shutil.which("cc")
STRICT = ("-std=c99", "-O1", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror")
RESULTS = {2: "truncated", 3: "oversized", 4: "crc", 5: "version"}
RECORD = struct.Struct("<BBII")

pytestmark = pytest.mark.skipif(CC is None, reason="no C compiler is installed")


@pytest.fixture(scope="module")
def codec(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program = tmp_path_factory.mktemp("codec") / "codec"
    sources = (CODEC / "frame_codec.c", HERE / "frame_codec_main.c")
    sanitize = "-fsanitize=address,undefined"
    subprocess.run(
        [str(CC), *STRICT, sanitize, "-fno-sanitize-recover=all", f"-I{CODEC}", *sources, "-o", program], check=True
    )
    return program


def run(program: Path, given: bytes, *arguments: str) -> bytes:
    done = subprocess.run([program, *arguments], input=given, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    return done.stdout


def decoded(program: Path, line: bytes, most_payload: int) -> list[Frame | str]:
    told, found = run(program, line, "decode", str(12 + most_payload)), []
    while told:
        result, told = told[0], told[1:]
        if result != 1:
            found.append(RESULTS[result])
            continue
        kind, channel, sequence, length = RECORD.unpack_from(told)
        told = told[RECORD.size :]
        found.append(Frame(kind, channel, sequence, told[:length]))
        told = told[length:]
    return found


def frames(count: int, most: int, seed: int) -> list[Frame]:
    """Payloads of random bytes, of zeros, of none, and with stretches around 254."""
    chance = random.Random(seed)
    made: list[Frame] = []
    for _ in range(count):
        size = chance.choice((0, 1, chance.randrange(300), 253, 254, 255, 508, chance.randrange(most)))
        payload = chance.choice((chance.randbytes(size), bytes(size), b"\xa5" * size))
        made.append(Frame(chance.randrange(256), chance.randrange(256), chance.randrange(2**32), payload[:most]))
    return made


def test_c_writes_what_python_reads_and_the_same_bytes(codec) -> None:
    made = frames(400, 4000, seed=1)
    records = b"".join(RECORD.pack(one.kind, one.channel, one.sequence, len(one.payload)) + one.payload for one in made)
    line = run(codec, records)
    assert line == b"".join(map(encoded, made))
    assert FrameDecoder().feed(line) == made


def test_python_writes_what_c_reads(codec) -> None:
    made = frames(400, 4000, seed=2)
    assert decoded(codec, b"".join(map(encoded, made)), 4000) == made


def test_both_say_the_same_of_noise_and_of_damaged_frames(codec) -> None:
    chance = random.Random(3)
    line = bytearray()
    for frame in frames(1500, 200, seed=4):
        good = bytearray(encoded(frame))
        match chance.randrange(7):
            case 0:
                good[chance.randrange(len(good))] ^= 1 << chance.randrange(8)
            case 1:
                del good[chance.randrange(len(good)) :]
            case 2:
                good += chance.randbytes(chance.randrange(50))
            case 3:
                good[:0] = bytes(chance.randrange(3))
            case 4:  # whole, but of version 2
                body = b"\2" + unstuffed(bytes(good[:-1]))[1:-4]
                good = bytearray(stuffed(body + zlib.crc32(body).to_bytes(4, "little")) + b"\0")
            case _:
                pass
        line += good
    line += b"\0"
    ours = [one.what if isinstance(one, FrameError) else one for one in FrameDecoder(1 << 15).feed(line)]
    theirs = decoded(codec, bytes(line), 1 << 15)
    assert theirs == ours
    assert {"crc", "truncated", "version"} == {one for one in ours if isinstance(one, str)}


def test_what_is_too_long_for_its_memory_is_said_once_and_dropped(codec) -> None:
    after = Frame(1, 2, 3, b"x" * 64)
    line = encoded(Frame(1, 2, 3, bytes(65))) + b"\x55" * 100_000 + b"\0" + encoded(after)
    assert decoded(codec, line, 64) == ["oversized", "oversized", after]
    assert [getattr(one, "what", one) for one in FrameDecoder(64).feed(line)] == ["oversized", "oversized", after]
