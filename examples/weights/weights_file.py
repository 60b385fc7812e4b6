"""The file of the audit's weights (`src/audit/weights.bin`) and the layout of the network.

    python3 weights_file.py FILE             what the header says; fails where the file is damaged
    python3 weights_file.py FILE --from FLAT makes FILE of 32-bit floats without a header

Needs numpy. Little endian throughout:

    offset      type      what
    0           8 bytes   "planishW"
    8           u16       format of this file (FORMAT)
    10          u16       layout: which network, which inputs and answers in which order (LAYOUT)
    12          u16       bits of a number (32: IEEE 754 binary32)
    14          u16       inputs, curves
    16          u16       width: curves inside the network
    18          u16       answers, curves
    20          u16       taps of a wide convolution
    22          u16       blocks
    24          u16 each  distance of the taps in each block, points of the grid
    24 + 2 b    u32       count of numbers
    28 + 2 b    u32       CRC-32 (IEEE 802.3) of all other bytes: those before and those behind
    32 + 2 b    f32 each  numbers: layer by layer, matrix (output, input, tap) before offsets

The reader in src/audit/weigh.rs refuses, when planish is built, a file whose header differs from
its own constants.
"""

import argparse
import os
import struct
import zlib

import numpy as np

MAGIC = b"planishW"
FORMAT = 1

# The network of src/audit/weigh.rs, where the same numbers stand. A change of them, or of the
# inputs (src/audit/evidence.rs) or answers, takes a new LAYOUT in both places.
LAYOUT = 1
INPUTS, WIDTH, ANSWERS, TAPS = 52, 80, 4, 5
STEPS = (1, 2, 4, 8, 16, 32, 8, 2)


def count(width=WIDTH):
    """Numbers of a network of this width."""
    block = width * width * (TAPS + 1) + 2 * width
    return INPUTS * width + width + len(STEPS) * block + width * ANSWERS + ANSWERS


def _header(width):
    counts = (INPUTS, width, ANSWERS, TAPS, len(STEPS))
    fixed = struct.pack("<8s8H", MAGIC, FORMAT, LAYOUT, 32, *counts)
    return fixed + struct.pack(f"<{len(STEPS)}HI", *STEPS, count(width))


def write(path, numbers, width=WIDTH):
    """Writes the numbers of a network as 32-bit floats; the file changes as a whole."""
    numbers = np.asarray(numbers, np.float32)
    if numbers.shape != (count(width),):
        raise ValueError(f"{numbers.shape} numbers where the network has {count(width)}")
    if not np.isfinite(numbers).all():
        raise ValueError("a number is not finite")
    header, body = _header(width), numbers.astype("<f4").tobytes()
    checksum = struct.pack("<I", zlib.crc32(header + body))
    with open(path + ".part", "wb") as file:
        file.write(header + checksum + body)
    os.replace(path + ".part", path)


def read(path):
    """Width and numbers (32-bit floats) of a file of this format and layout."""
    with open(path, "rb") as file:
        content = file.read()
    if content[:8] != MAGIC:
        raise ValueError(f"{path}: no file of weights")
    width = struct.unpack_from("<H", content, 16)[0]
    header = _header(width)
    if content[: len(header)] != header:
        raise ValueError(f"{path}: another format or layout than {FORMAT} and {LAYOUT}")
    body = content[len(header) + 4 :]
    if len(body) != 4 * count(width):
        raise ValueError(f"{path}: {len(body)} bytes of numbers, not {4 * count(width)}")
    checksum = struct.unpack_from("<I", content, len(header))[0]
    if checksum != zlib.crc32(header + body):
        raise ValueError(f"{path}: the checksum does not match")
    return width, np.frombuffer(body, "<f4").astype(np.float32)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("file")
    parser.add_argument("--from", dest="flat", help="32-bit floats without a header to convert")
    arguments = parser.parse_args()
    if arguments.flat:
        write(arguments.file, np.fromfile(arguments.flat, "<f4"))
    width, numbers = read(arguments.file)
    print(f"format {FORMAT}, layout {LAYOUT}: {INPUTS} inputs, width {width}, {ANSWERS} answers,")
    print(f"{len(STEPS)} blocks with steps {STEPS}, {numbers.size} numbers, checksum right")


if __name__ == "__main__":
    main()
