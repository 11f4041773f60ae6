"""Damage to bytes, and to the headers and directories of films."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

import numpy as np

from fuzzing.hostile import Mutation, pick


def bytes_damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """Flips, odd words, insertions; mostly in the header; one time in five cut off."""
    content = bytearray(data)
    for _ in range(rng.integers(1, 12)):
        place = int(rng.integers(max(1, min(len(content), 500) if rng.random() < 0.7 else len(content))))
        how = rng.integers(4)
        if how == 0:
            content[place] ^= 1 << int(rng.integers(8))
        elif how == 1:
            content[place : place + 4] = bytes(rng.choice([b"\0\0\0\0", b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f"]))
        elif how == 2:
            content[place:place] = rng.bytes(int(rng.integers(1, 9)))
        else:
            content[place] = int(rng.integers(256))
    return bytes(content[: int(rng.integers(len(content)))] if rng.random() < 0.2 else content)


def huge(data: bytes, rng: np.random.Generator) -> bytes:
    """The header says 100 000 x 100 000 pixels (65 535 where it holds no more), or zero."""
    size = int(pick(rng, [100_000, 2**31 - 1, 0, 2**32 - 1]))
    word, short, content = struct.pack("<I", size), struct.pack("<H", min(size, 65535)), bytearray(data)
    if data[:4] == b"\x89PNG":
        content[16:24] = struct.pack(">II", size, size)
        content[29:33] = struct.pack(">I", zlib.crc32(content[12:29]))
    elif data[:2] == b"BM":
        content[18:26] = word * 2
    elif data[:2] == b"\xff\xd8" and (at := data.find(b"\xff\xc0")) > 0:
        content[at + 5 : at + 9] = struct.pack(">HH", min(size, 65535), min(size, 65535))
    elif data[:4] == b"RIFF":
        content[26:30] = b"\xff\x3f\xff\x3f"
    elif data[128:132] == b"DICM":
        for element in (b"\x28\x00\x10\x00US\x02\x00", b"\x28\x00\x11\x00US\x02\x00"):
            at = data.find(element) + 8
            content[at : at + 2] = short
    else:
        for tag, at in tags(data):
            if tag in (256, 257):
                content[at + 2 : at + 4] = b"\x04\x00"
                content[at + len_of(data) : at + len_of(data) + 4] = word
    return bytes(content)


def len_of(data: bytes) -> int:
    """Where the value lies in a TIFF entry: 8 bytes in, 12 in a BigTIFF."""
    return 12 if data[2:3] == b"\x2b" else 8


def tags(data: bytes) -> Iterator[tuple[int, int]]:
    """(tag, offset of its entry) of the first directory of an intact little-endian TIFF or BigTIFF."""
    if data[2:3] == b"\x2b":
        start, step, count = struct.unpack_from("<Q", data, 8)[0], 20, 8
    else:
        start, step, count = struct.unpack_from("<I", data, 4)[0], 12, 2
    number = int.from_bytes(data[start : start + count], "little")
    for at in range(start + count, start + count + number * step, step):
        yield struct.unpack_from("<H", data, at)[0], at


def wrong_tags(data: bytes, rng: np.random.Generator) -> bytes:
    """TIFF entries with another tag, type, count or value; directories that lead to themselves or thousands deep."""
    if data[:2] != b"II":
        return huge(data, rng)
    content, entries = bytearray(data), list(tags(data))
    for _ in range(rng.integers(1, 4)):
        _, at = entries[int(rng.integers(len(entries)))]
        part, width = [(0, 2), (2, 2), (4, 4), (len_of(data), 4)][int(rng.integers(4))]
        content[at + part : at + part + width] = rng.bytes(width) if rng.random() < 0.5 else b"\xff" * width
    return bytes(content)


def nested(data: bytes, rng: np.random.Generator) -> bytes:
    """TIFF directories in a ring, or a chain of up to 20 000."""
    if data[:4] != b"II*\0":
        return wrong_tags(data, rng)
    content = bytearray(data)
    first = int(struct.unpack_from("<I", data, 4)[0])
    number = int(struct.unpack_from("<H", data, first)[0])
    directory = bytearray(content[first : first + 2 + 12 * number + 4])
    if rng.random() < 0.3:
        content[first + 2 + 12 * number :][:4] = struct.pack("<I", first)
        struct.pack_into("<I", content, first + 2 + 12 * number, first)
        return bytes(content)
    if rng.random() < 0.5:  # a sub-directory tag that leads back
        struct.pack_into("<HHII", directory, 2 + 12 * (number - 1), 330, 4, 1, first)
    chain = int(pick(rng, [3, 300, 20_000]))
    begin = len(content) + len(content) % 2
    content += b"\0" * (begin - len(content))
    struct.pack_into("<I", content, first + 2 + 12 * number, begin)
    for k in range(chain):
        struct.pack_into("<I", directory, len(directory) - 4, begin + (k + 1) * len(directory) if k + 1 < chain else begin)
        content += directory
    return bytes(content)


BYTES: tuple[Mutation, ...] = (bytes_damaged, bytes_damaged, huge, wrong_tags, nested)
