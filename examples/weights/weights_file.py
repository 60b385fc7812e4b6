"""The file of the audit's weights (`src/audit/weights.bin`) and the layout of the network.

    python3 weights_file.py FILE             what the header says; fails where the file is damaged
    python3 weights_file.py FILE --from OTHER   makes FILE of OTHER: a file of weights, or 32-bit
                                                floats without a header; --bits 16 or 32

Needs numpy. Little endian throughout:

    offset      type      what
    0           8 bytes   "planishW"
    8           u16       format of this file (FORMAT)
    10          u16       layout: which network, which inputs and answers in which order (LAYOUT)
    12          u16       bits of a number: 16 or 32 (IEEE 754 binary16, binary32)
    14          u16       inputs, curves
    16          u16       width: curves inside the network
    18          u16       answers, curves
    20          u16       taps of a wide convolution
    22          u16       blocks
    24          u16 each  distance of the taps in each block, points of the grid
    24 + 2 b    u32       count of numbers
    28 + 2 b    u32       CRC-32 (IEEE 802.3) of all other bytes: those before and those behind
    32 + 2 b    numbers   layer by layer, matrix (output, input, tap) before offsets

where b is the number of blocks. The reader in src/audit/weigh.rs refuses, when planish is built, a
file whose header differs from its own constants.
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
LAYOUT = 2
INPUTS, WIDTH, ANSWERS, TAPS = 52, 96, 5, 5
STEPS = (1, 2, 4, 8, 16, 32, 8, 2)

# Answers of the layouts that can still be read, to go on from.
ANSWERS_OF = {1: 4, 2: 5}

# Bits of a number in the repository's file; the reader states them, too. README.md says why.
BITS = 16


def count(width=WIDTH, answers=ANSWERS):
    """Numbers of a network of this width and so many answers."""
    block = width * width * (TAPS + 1) + 2 * width
    return INPUTS * width + width + len(STEPS) * block + width * answers + answers


def _header(width, bits, layout=LAYOUT):
    answers = ANSWERS_OF[layout]
    counts = (INPUTS, width, answers, TAPS, len(STEPS))
    fixed = struct.pack("<8s8H", MAGIC, FORMAT, layout, bits, *counts)
    return fixed + struct.pack(f"<{len(STEPS)}HI", *STEPS, count(width, answers))


def write(path, numbers, width=WIDTH, bits=BITS):
    """Writes the numbers of a network; the file changes as a whole."""
    numbers = np.asarray(numbers, np.float32)
    if numbers.shape != (count(width),):
        raise ValueError(f"{numbers.shape} numbers where the network has {count(width)}")
    rounded = numbers.astype(f"<f{bits // 8}")
    if not np.isfinite(rounded).all():
        raise ValueError(f"a number is not finite in {bits} bits")
    header, body = _header(width, bits), rounded.tobytes()
    checksum = struct.pack("<I", zlib.crc32(header + body))
    with open(path + ".part", "wb") as file:
        file.write(header + checksum + body)
    os.replace(path + ".part", path)


def read(path):
    """Width, answers, numbers (as 32-bit floats) and their bits in a file of this format."""
    with open(path, "rb") as file:
        content = file.read()
    if content[:8] != MAGIC:
        raise ValueError(f"{path}: no file of weights")
    layout, bits, width = (struct.unpack_from("<H", content, at)[0] for at in (10, 12, 16))
    if layout not in ANSWERS_OF or bits not in (16, 32):
        raise ValueError(f"{path}: another layout than {LAYOUT}, or {bits} bits")
    header = _header(width, bits, layout)
    if content[: len(header)] != header:
        raise ValueError(f"{path}: another format than {FORMAT}, or another network")
    answers = ANSWERS_OF[layout]
    body = content[len(header) + 4 :]
    if len(body) != bits // 8 * count(width, answers):
        raise ValueError(f"{path}: {len(body)} bytes of numbers are too few or too many")
    checksum = struct.unpack_from("<I", content, len(header))[0]
    if checksum != zlib.crc32(header + body):
        raise ValueError(f"{path}: the checksum does not match")
    return width, answers, np.frombuffer(body, f"<f{bits // 8}").astype(np.float32), bits


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("file")
    parser.add_argument("--from", dest="other", help="file of weights or bare 32-bit floats")
    parser.add_argument("--bits", type=int, choices=(16, 32), default=BITS)
    arguments = parser.parse_args()
    if arguments.other:
        with open(arguments.other, "rb") as file:
            bare = file.read(len(MAGIC)) != MAGIC
        if bare:
            width, numbers = WIDTH, np.fromfile(arguments.other, "<f4")
        else:
            width, _, numbers, _ = read(arguments.other)
        write(arguments.file, numbers, width, arguments.bits)
    width, answers, numbers, bits = read(arguments.file)
    print(f"format {FORMAT}: {INPUTS} inputs, width {width}, {answers} answers,")
    print(f"{len(STEPS)} blocks with steps {STEPS}, {numbers.size} numbers of {bits} bits,")
    print("checksum right")


if __name__ == "__main__":
    main()
