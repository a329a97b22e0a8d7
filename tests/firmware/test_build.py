"""The firmware compiles without a warning and leaves room in the part."""

from __future__ import annotations

import re

import pytest
from firmware.bench import built_firmware

pytestmark = pytest.mark.campaign

# ATmega328P data sheet: 32 kB flash, of which a boot loader takes up to 2 kB, and 2 kB RAM; a quarter is for the stack.
FLASH_BYTES, RAM_BYTES = 30 * 1024, 1536


def test_it_fits_the_part(capsys: pytest.CaptureFixture[str]) -> None:
    elf, said = built_firmware()
    match = re.search(r"^\s*(\d+)\s+(\d+)\s+(\d+)\s+\d+\s+[0-9a-f]+\s+firmware\.elf$", said, re.MULTILINE)
    assert match is not None, said
    text, data, bss = map(int, match.groups())
    with capsys.disabled():
        print(f"\nfirmware: flash {text + data} bytes, RAM {data + bss} bytes and the stack")
    assert text + data < FLASH_BYTES
    assert data + bss < RAM_BYTES
    assert elf.is_file()
