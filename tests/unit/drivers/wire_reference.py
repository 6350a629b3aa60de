#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""A second encoder for docs/wire.md, written from that page alone, with the standard library only.

Prints a stream as hex and what a reader must make of it, one line each:
    bytes HEX | describe INPUTS BITS SIGNED | scans FIRST v,v;v,v | loss packet|overrun N
The same stream every time: the test compares.
"""
import random
import struct


def check(data):
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
            crc &= 0xFFFF
    return crc


def stuff(data):
    """COBS: split at the zeros, cut pieces of 254 bytes, write each behind its length."""
    pieces = data.split(b"\0")
    out = b""
    for piece in pieces:
        while len(piece) > 254:
            out += b"\xff" + piece[:254]
            piece = piece[254:]
        if len(piece) == 254:
            out += b"\xff" + piece
            if piece is not pieces[-1]:
                out += b"\x01"
        else:
            out += bytes([len(piece) + 1]) + piece
    return out


def packet(payload):
    return stuff(payload + struct.pack(">H", check(payload))) + b"\0"


def description(boot, rate_millihz, inputs, bits, signed, skew_ns, span_uv, name):
    return packet(struct.pack("<BBIIBBBIIB", 1, 1, boot, rate_millihz, inputs, bits, signed,
                              skew_ns, span_uv, len(name)) + name)


def values(rows, bits):
    size = (bits + 7) // 8
    return b"".join((v & ((1 << 8 * size) - 1)).to_bytes(size, "little") for row in rows
                    for v in row)


def scans(boot, first, rows, bits, dropped=None):
    head = struct.pack("<BII", 2 if dropped is None else 3, boot, first & 0xFFFFFFFF)
    if dropped is not None:
        head += struct.pack("<I", dropped)
    return packet(head + values(rows, bits))


def told(rows):
    return ";".join(",".join(map(str, row)) for row in rows)


def main():
    draw = random.Random(20)
    for bits in range(8, 25):
        for signed in (0, 1):
            inputs = draw.randint(1, 64)
            low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
            boot = draw.randrange(1 << 32)
            out = description(boot, 2000000, inputs, bits, signed, 0, 5000000, b"reference")
            print("bytes", out.hex())
            print("describe", inputs, bits, signed)
            first = draw.choice([0, 0xFFFFFFFF, 0xFFFFFFF0, 77])
            room = (512 - 15) // (inputs * ((bits + 7) // 8))
            for number in range(6):
                dropped = None
                lost = draw.choice([0, 0, 1, 300])
                if number and lost:
                    if draw.random() < 0.5:
                        dropped = lost
                    print("loss", "packet" if dropped is None else "overrun", lost)
                    first += lost
                rows = [[draw.choice([low, high, 0, draw.randint(low, high)])
                         for _ in range(inputs)] for _ in range(draw.randint(1, room))]
                print("bytes", scans(boot, first, rows, bits, dropped).hex())
                print("scans", len(rows), told(rows))
                first += len(rows)


if __name__ == "__main__":
    main()
