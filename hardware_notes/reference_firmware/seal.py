"""Seal a firmware image: its CRC-32 goes behind it, where the firmware looks for it at every start.

`seal.py image.bin sealed.bin` - the image's length is its own; the four bytes are little-endian. The same CRC-32 is the
firmware hash of a welcome.
"""

from __future__ import annotations

import sys
import zlib
from pathlib import Path


def sealed(image: bytes) -> bytes:
    """The image with its CRC-32 behind it."""
    return image + zlib.crc32(image).to_bytes(4, "little")


def main(arguments: list[str]) -> int:
    if len(arguments) != 2:
        sys.stderr.write("usage: seal.py IMAGE.bin SEALED.bin\n")
        return 2
    image = Path(arguments[0]).read_bytes()
    Path(arguments[1]).write_bytes(sealed(image))
    sys.stdout.write(f"{len(image)} bytes sealed with {zlib.crc32(image):08x}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
