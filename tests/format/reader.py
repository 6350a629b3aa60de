#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""reader.py - a second reader of container files, written from docs/format.md alone and sharing
nothing with the program. It is slow, and plain.

usage: reader.py FILE    prints every chunk that is sound, and the samples of every block
"""
import functools
import json
import struct
import sys
import zlib

MAGIC = b"\xc7CT\n"


class Bits:
    def __init__(self, data, at):
        self.data, self.at = data, 8 * at

    def get(self, width):
        value = 0
        for i in range(width):
            value |= (self.data[self.at // 8] >> (self.at % 8) & 1) << i
            self.at += 1
        return value

    def number(self):
        n = 0
        while not self.get(1):
            n += 1
        assert n <= 15
        return 1 << n | self.get(n)

    def align(self):
        while self.at % 8:
            assert self.get(1) == 0
        return self.at // 8


def signed(value):
    value &= 0xFFFFFFFF
    return value - (1 << 32) if value >> 31 else value


def unfold(folded):
    return -(folded >> 1) - 1 if folded & 1 else folded >> 1


def read_table(bits, m, symbols):
    left, before, symbol, table = 1 << m, m, 0, [0] * 256
    while left:
        g = bits.number()
        assert symbol < symbols
        length = before + ((g - 1) // 2 if g & 1 else -(g // 2))
        assert 0 <= length <= m + 1
        if length == 0:
            symbol += bits.number()
            continue
        table[symbol] = 1 << (length - 1) | bits.get(length - 1)
        left -= table[symbol]
        assert left >= 0
        symbol, before = symbol + 1, length
    return table


def decode_raw(data, count):
    width, least = data[1], struct.unpack_from("<i", data, 2)[0]
    bits = Bits(data, 6)
    samples = [signed(least + bits.get(width)) for _ in range(count)]
    assert bits.align() == len(data)
    return samples


class Predicted:
    """Codec 1: the fields in front, then symbols, then samples."""

    def __init__(self, data, count):
        self.data, self.count, self.at = data, count, 2
        self.kind, self.m = data[1] & 15, 8 + (data[1] >> 4 & 7)
        self.split = self.byte() if data[1] & 0x80 else None
        self.origin = unfold(self.number())
        self.upper = unfold(self.number()) if self.kind == 4 else 0
        self.weights, self.shift = [], 0
        if self.kind == 5:
            packed = self.byte()
            order, self.shift = (packed & 15) + 1, packed >> 4
            self.weights = struct.unpack_from("<%dh" % order, data, self.at)
            self.at += 2 * order
        bits = Bits(data, self.at)
        symbols = 256 if self.kind == 4 else 128
        self.tables = [read_table(bits, self.m, symbols) for _ in range(2 if self.split else 1)]
        self.at = bits.align()
        words = self.number()
        self.words = struct.unpack_from("<%dH" % words, data, self.at)
        self.at += 2 * words

    def byte(self):
        self.at += 1
        return self.data[self.at - 1]

    def number(self):
        value, shift = 0, 0
        while True:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7

    def symbols(self):
        words = iter(self.words)
        states = [next(words) << 16 | next(words) for _ in range(2 if self.count > 2048 else 1)]
        lookup = [[(symbol, begin) for symbol, f in enumerate(table)
                   for begin in [sum(table[:symbol])] * f] for table in self.tables]
        symbol, symbols = 0, []
        for i in range(self.count):
            context = 1 if self.split and symbol >= self.split else 0
            state = states[i % len(states)]
            slot = state & ((1 << self.m) - 1)
            symbol, begin = lookup[context][slot]
            state = self.tables[context][symbol] * (state >> self.m) + slot - begin
            if state < 1 << 15:
                state = state << 16 | next(words)
            states[i % len(states)] = state
            symbols.append(symbol)
        assert next(words, None) is None and all(state == 1 << 15 for state in states)
        return symbols

    def residuals(self, symbols):
        extra, residuals = Bits(self.data, self.at), []
        for symbol in symbols:
            t = symbol % 128
            e = 2 + (t - 16) // 4
            residuals.append(unfold(t if t < 16 else (4 + t % 4) * 2**e + extra.get(e)))
        assert extra.align() == len(self.data)
        return residuals

    def samples(self):
        symbols = self.symbols()
        x, d = [self.origin] * 3, [0] * 8
        for symbol, r in zip(symbols, self.residuals(symbols)):
            if self.kind == 0:
                value = self.origin + r
            elif self.kind == 4:
                value = r + (self.upper if symbol >= 128 else self.origin)
            elif self.kind == 5:
                half = 1 << (self.shift - 1) if self.shift else 0
                summed = sum(w * before for w, before in zip(self.weights, reversed(d)))
                d.append(signed(r + (summed + half) // 2**self.shift))
                value = d[-1] + self.origin
            else:
                value = r + {1: x[-1], 2: 2 * x[-1] - x[-2],
                             3: 3 * x[-1] - 3 * x[-2] + x[-3]}[self.kind]
            x.append(signed(value))
        return x[3:]


def decode(data, count):
    assert data[0] in (0, 1)
    return decode_raw(data, count) if data[0] == 0 else Predicted(data, count).samples()


HEAD, BLOCK, LOSS, CLOCK, MARK = range(1, 6)
END, INDEX, SUMMARY = range(7, 10)
WHOLE, NOT_OURS, NEWER, TRUNCATED, CORRUPT = 0, 4, 5, 6, 7


def chunk_at(data, at):
    """(kind, sequence, file, payload) of a sound chunk; or "newer", "sum", "cut", None; its length."""
    header = data[at:at + 32]
    if header[:4] != MAGIC[:len(header)] or not header:
        return None, 0
    if len(header) < 32:
        return "cut", 0
    version, kind, flags, length, sequence, file, crc = struct.unpack_from("<BBHIIQI", header, 4)
    if zlib.crc32(header[:28]) != struct.unpack_from("<I", header, 28)[0] or length > 16777216:
        return "sum", 0
    payload = data[at + 32:at + 32 + length]
    if len(payload) < length:
        return "cut", 0
    if zlib.crc32(payload) != crc:
        return "sum", 32 + length
    if version != 1 or flags >= 256:
        return "newer", 32 + length
    if not adds_up(kind, payload):
        return "sum", 32 + length
    return (kind, sequence, file, payload), 32 + length


def adds_up(kind, payload):
    """Is the payload as long as its type needs?"""
    least = {HEAD: 8, MARK: 8, BLOCK: 40, SUMMARY: 40, LOSS: 48, CLOCK: 88}
    if len(payload) < least.get(kind, 0):
        return False
    if kind != BLOCK:
        return True
    inputs, scans = struct.unpack_from("<H", payload, 2)[0], struct.unpack_from("<I", payload,
                                                                               16)[0]
    if not inputs or not 1 <= scans <= 65536 or len(payload) < 40 + 4 * inputs:
        return False
    lengths = struct.unpack_from("<%dI" % inputs, payload, 40)
    return min(lengths) > 0 and 40 + 4 * inputs + sum(lengths) == len(payload)


class File:
    """All sound chunks of a file, and what kind of a file it is."""

    def __init__(self, data):
        self.data, self.chunks, self.offsets = data, [], []
        self.number, self.newer, self.holes, self.tail = None, False, False, None
        self.scan()
        self.state = self.judge()

    def scan(self):
        due, at, damage = 0, 0, None  # damage: (from, what stands there, claimed length)
        while at < len(self.data):
            chunk, length = chunk_at(self.data, at)
            if isinstance(chunk, tuple) and self.number in (None, chunk[2]):
                self.number = chunk[2]
                self.holes |= damage is not None or chunk[1] != due
                due, damage = max(due, chunk[1] + 1), None
                self.chunks.append(chunk)
                self.offsets.append(at)
                at += length
                continue
            self.newer |= chunk == "newer"
            damage = damage or (at, chunk, length)
            at += length if chunk == "newer" or isinstance(chunk, tuple) else 1
            at = self.data.find(MAGIC[:1], at) if self.data.find(MAGIC[:1], at) >= 0 \
                else len(self.data)
        if damage:
            self.tail = self.torn(*damage)

    def torn(self, begin, chunk, claimed):
        """Does the damage at the end look as a power cut leaves it?"""
        rest = self.data[begin:]
        zeros = len(rest) - len(rest.rstrip(b"\0"))
        if zeros == len(rest) or chunk == "cut":
            return TRUNCATED
        begins = rest[:len(rest) - zeros][:4] == MAGIC[:min(4, len(rest) - zeros)]
        inside = not claimed or len(rest) - zeros < claimed
        return TRUNCATED if begins and zeros >= 8 and inside else CORRUPT

    def judge(self):
        if not self.chunks and self.newer:
            return NEWER
        if not self.chunks and self.tail == CORRUPT and self.data[:4] != MAGIC:
            return NOT_OURS
        if self.newer:
            return NEWER
        if self.holes or not all(self.decodes(c) for c in self.chunks if c[0] == BLOCK):
            return CORRUPT
        if self.tail:
            return self.tail
        return WHOLE if self.chunks and self.chunks[-1][0] == END else TRUNCATED

    @staticmethod
    def decodes(chunk):
        try:
            block(chunk[3])
        except (AssertionError, IndexError, KeyError, StopIteration, struct.error, OverflowError,
                ZeroDivisionError):
            return False
        return True

    def of(self, kind):
        return [chunk[3] for chunk in self.chunks if chunk[0] == kind]

    def heads(self):
        return [json.loads(payload[8:].decode()) for payload in self.of(HEAD)]


def place(payload):
    """stream, epoch, first scan, elapsed time of it and of the end."""
    stream, _, epoch, first, _, _, from_ns, to_ns = struct.unpack_from("<HHIQIIqq", payload)
    return stream, epoch, first, from_ns, to_ns


def columns(payload, at, count, rows):
    """`count` coded columns of `rows` numbers each; their lengths stand at `at`."""
    lengths = struct.unpack_from("<%dI" % count, payload, at)
    at += 4 * count
    decoded = []
    for length in lengths:
        decoded.append(decode(payload[at:at + length], rows))
        at += length
    assert at == len(payload)
    return decoded


@functools.lru_cache(maxsize=None)
def block(payload):
    """The samples of each input."""
    inputs, scans = struct.unpack_from("<H", payload, 2)[0], struct.unpack_from("<I", payload,
                                                                               16)[0]
    return columns(payload, 40, inputs, scans)


def summary(payload):
    """Scans covered, span, and the columns: lowest, highest, mean of input 0, of input 1 ..."""
    inputs = struct.unpack_from("<H", payload, 2)[0]
    scans, span = struct.unpack_from("<QI", payload, 40)
    first = place(payload)[2]
    rows = (first + scans - 1) // span - first // span + 1
    return scans, span, columns(payload, 52, 3 * inputs, rows)


def index(payload):
    """(offset, from, to, span, rows, stream) of each entry."""
    return list(struct.iter_unpack("<QqqIHH", payload))


def catalogue(data):
    """(number, bytes, from, to, index at, boot, epoch, flags) by number."""
    records = {}
    for at in range(0, len(data) - 67, 68):
        if zlib.crc32(data[at:at + 64]) == struct.unpack_from("<I", data, at + 64)[0]:
            record = struct.unpack_from("<QQqqQ16sII", data, at)
            records[record[0]] = record
    return records


def main():
    with open(sys.argv[1], "rb") as file:
        data = file.read()
    for kind, sequence, _, payload in File(data).chunks:
        if kind == BLOCK:
            stream, epoch, first, _, _ = place(payload)
            for i, samples in enumerate(block(payload)):
                print("block", stream, epoch, first, i, *samples)
        else:
            print("chunk", sequence, kind, len(payload))


if __name__ == "__main__":
    main()
