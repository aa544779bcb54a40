"""Whether the tester itself is as it should be, found out when a run begins: check values, and the files it is made of.

Nothing here judges a card. The ledger keeps what was found, and reports show it.
"""

from __future__ import annotations

import hashlib
from base64 import urlsafe_b64encode
from functools import cache
from importlib.metadata import Distribution, PackageNotFoundError, PackagePath, distribution
from pathlib import Path

import laneproof
from laneproof.campaign.results import Plain
from laneproof.integrity import crc32, pattern

CRC_TEXT, CRC_VALUE = b"123456789", "cbf43926"
"""The check value of CRC-32 (ITU-T V.42) in the Catalogue of Parametrised CRC Algorithms."""
PRBS_STARTS = {
    "prbs7": "fe041851e459d4fa1c49b5bd8d2ee655",
    "prbs15": "fffe00040018005001e0044019805501",
    "prbs23": "fffffe00007c001ff807c1f1ffff9c00",
    "prbs31": "fffffffe0000001c000001f800001c70",
}
"""The first bytes, most significant bit first, from all ones on and not inverted: ITU-T O.150, as scipy and galois make
them."""
MOST_NAMED = 8
"""Files that differ and are named; the rest is counted."""
_WRONG_AT = 1234


@cache
def self_check() -> Plain:
    """Plain data; the same for as long as the process lives, as the modules that it has loaded are.

    {"ok": bool, "values": [{"what", "expected", "found"}], "files": {"installed": "wheel" | "editable" | "not
    installed", "checked": n, "differing": [name], "differing_not_named": n, "sha256": of the package's own modules}}
    """
    values = [
        {"what": f"CRC-32 of {CRC_TEXT.decode()}", "expected": CRC_VALUE, "found": f"{crc32(CRC_TEXT):08x}"},
        *(_prbs(name, start) for name, start in PRBS_STARTS.items()),
        _one_wrong_bit(),
    ]
    files = _files()
    return {
        "ok": all(one["expected"] == one["found"] for one in values) and not files["differing"],
        "values": values,
        "files": files,
    }


def _prbs(name: str, start: str) -> Plain:
    made = bytearray(len(start) // 2)
    pattern(name, inverted=False).fill(made)
    return {"what": f"first {len(made)} bytes of {name.upper()}", "expected": start, "found": made.hex()}


def _one_wrong_bit() -> Plain:
    """A comparison that finds nothing has to be one that would have found something."""
    own, data = pattern("prbs31"), bytearray(4096)
    own.fill(data)
    clean = own.verify(data)
    data[_WRONG_AT] ^= 0x10
    wrong = own.verify(data)
    return {
        "what": f"wrong bits found in 4 KiB of PRBS31, before and after one at byte {_WRONG_AT} was turned over",
        "expected": f"0, then 1 at byte {_WRONG_AT}",
        "found": f"{clean.mismatched_bits}, then {wrong.mismatched_bits} at byte {wrong.first}",
    }


def _files() -> Plain:
    own = _digest_of_package(Path(laneproof.__file__).parent)
    try:
        found = distribution("laneproof")
    except PackageNotFoundError:
        return {"installed": "not installed", "checked": 0, "differing": [], "differing_not_named": 0, "sha256": own}
    editable = '"editable": true' in (found.read_text("direct_url.json") or "")
    recorded = [path for path in found.files or () if path.hash is not None and path.hash.mode == "sha256"]
    differing = sorted(str(path) for path in recorded if not _is_as_recorded(path, found))
    return {
        "installed": "editable" if editable else "wheel",
        "checked": len(recorded),
        "differing": differing[:MOST_NAMED],
        "differing_not_named": len(differing[MOST_NAMED:]),
        "sha256": own,
    }


def _is_as_recorded(path: PackagePath, found: Distribution) -> bool:
    """By the wheel format's RECORD: a digest in URL-safe Base64 without padding."""
    assert path.hash is not None
    try:
        content = Path(str(found.locate_file(path))).read_bytes()
    except OSError:
        return False
    return urlsafe_b64encode(hashlib.sha256(content).digest()).rstrip(b"=").decode() == path.hash.value


def _digest_of_package(folder: Path) -> str:
    """SHA-256 over the name and the SHA-256 of each module, in the order of the names."""
    total = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        total.update(f"{path.relative_to(folder)} {hashlib.sha256(path.read_bytes()).hexdigest()}\n".encode())
    return total.hexdigest()
