#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""A second reader of container files, written from docs/format.md alone and sharing nothing with the
program. Prints every chunk that is sound, and the samples of every block. It is slow, and plain.

usage: format_reader.py FILE
"""
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


def chunks(data):
    number, at = None, 0
    while at < len(data):
        header = data[at:at + 32]
        if len(header) == 32 and header[:4] == MAGIC and \
                zlib.crc32(header[:28]) == struct.unpack_from("<I", header, 28)[0]:
            version, kind, flags, length, sequence, file, crc = struct.unpack_from("<BBHIIQI",
                                                                                  header, 4)
            payload = data[at + 32:at + 32 + length]
            if version == 0 and flags < 256 and len(payload) == length and \
                    zlib.crc32(payload) == crc and number in (None, file):
                number = file
                yield sequence, kind, payload
                at += 32 + length
                continue
        at += 1


def print_block(payload):
    stream, inputs, epoch, first, scans, _, _, _ = struct.unpack_from("<HHIQIIqq", payload)
    lengths = struct.unpack_from("<%dI" % inputs, payload, 40)
    at = 40 + 4 * inputs
    for i, length in enumerate(lengths):
        samples = decode(payload[at:at + length], scans)
        print("block", stream, epoch, first, i, *samples)
        at += length
    assert at == len(payload)


def main():
    with open(sys.argv[1], "rb") as file:
        data = file.read()
    for sequence, kind, payload in chunks(data):
        if kind == 2:
            print_block(payload)
        else:
            print("chunk", sequence, kind, len(payload))


if __name__ == "__main__":
    main()
