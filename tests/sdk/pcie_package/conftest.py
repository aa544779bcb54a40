"""What the tests of decoding share: lspci's reading of all images, made once."""

from __future__ import annotations

import pytest
from crafted_images import ALL
from lspci_reading import read_by_lspci


@pytest.fixture(scope="session")
def texts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What `lspci -F DUMP -vvv` says of each image."""
    return read_by_lspci(ALL, tmp_path_factory.mktemp("lspci"))
