#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Byte logs of the shipped board files and stream drivers, and the scans that are in them.

Made from what the head of each board file says in words, by Python's struct, binascii and integer
arithmetic: nothing of the C code is used. Writes NAME.bytes (hexadecimal) and NAME.scans beside
itself; both are kept in the tree, and the test reads those. Each log begins in the middle of a
packet and has one damaged and one missing packet or line.
"""
import binascii
import pathlib
import random
import struct
import sys

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "unit" / "drivers"))
import asked_board  # noqa: E402  a slave with a CRC of its own
import wire_reference  # noqa: E402  a second encoder for docs/wire.md

RANDOM = random.Random(20260115)


def save(name, stream, told):
    lines = [stream[i:i + 32].hex(" ") for i in range(0, len(stream), 32)]
    (HERE / f"{name}.bytes").write_text("\n".join(lines) + "\n")
    (HERE / f"{name}.scans").write_text("\n".join(told) + "\n")


def line(scan):
    return ",".join(str(value) for value in scan)


def values(count, low, high):
    """Mostly anything; both rails, so that sign and width show."""
    return [RANDOM.choice([low, high, RANDOM.randint(low, high)]) for _ in range(count)]


def text_lines():
    stream, told = b"12,345\r\n", []
    for number in range(40):
        scan = values(6, 0, 1023)
        text = line(scan).encode() + b"\r\n"
        if number == 20:
            stream += text.replace(b",", b"\x80", 1)
            told.append("lost 1 damaged")
            continue
        stream += text
        told.append(line(scan))
    save("text-lines", stream, told)


def packed(name, packets, make, scans_of, lost, step, tail=0, damaged=7, missing=13):
    """The packets `damaged` and `missing` of `packets` are not in the scans. A damaged packet
    whose layout has no check is cut short; the one before it is proved by its counter."""
    stream, told, after = b"", [], None
    for number in range(packets):
        scans = scans_of()
        packet = make(number * step, scans)
        if number == 0:
            stream += packet[len(packet) // 2:]
            continue
        if number == damaged:
            at = len(packet) // 2
            stream += packet[:at] + bytes([packet[at] ^ 0x10]) + packet[at + 1:] if tail == 0 \
                else packet[:at]
            after = f"lost {lost} damaged"
            continue
        if number == missing:
            after = f"lost {lost} packet lost"
            continue
        stream += packet
        if after:
            told.append(after)
            after = None
        told += [line(scan) for scan in scans]
    if tail:  # the last one waits for the beginning of the next, which proves it
        stream += make(packets * step, scans_of())[:tail]
    save(name, stream, told)


def packet_8x16(counter, scans):
    body = b"\xaa\x55" + struct.pack("<H", counter)
    body += b"".join(struct.pack("<8h", *scan) for scan in scans)
    return body + struct.pack("<H", binascii.crc_hqx(body, 0xFFFF))


def packet_iso(counter, scans):
    body = b"\xc3\x5a" + struct.pack("<H", counter)
    body += b"".join(struct.pack("<8h", *scan) for scan in scans)
    return body + struct.pack("<H", binascii.crc_hqx(body, 0xFFFF))


def packet_packed_12(counter, scans):
    bits = 0
    for scan in scans:
        for value in scan:
            bits = bits << 12 | value
    body = b"\xfe\xed" + struct.pack("<I", counter) + bits.to_bytes(len(scans) * 6, "big")
    return body + b"\x00\x00"


def packet_2x24(counter, scans):
    body = bytes([0xA5, counter & 0xFF])
    body += b"".join(value.to_bytes(3, "big", signed=True) for value in scans[0])
    return body + bytes([sum(body) & 0xFF])


def text_serial():
    """Columns counter,0,1,2: a line that is missing and one that is damaged are told by it."""
    stream, told, after = b"2,3\n", [], None
    for number in range(60):
        scan = values(3, 0, 1023)
        text = f"{number},{line(scan)}\n".encode()
        if number in (20, 40):
            stream += text.replace(b",", b"?", 1) if number == 20 else b""
            after = "lost 1 damaged" if number == 20 else "lost 1 packet lost"
            continue
        stream += text
        if after:
            told.append(after)
            after = None
        told.append(line(scan))
    save("text-serial", stream, told)


def packet_serial():
    """docs/wire.md: four inputs of 12 bits, five scans a packet."""
    stream, told, after = b"\x07\x00", [], None
    for number in range(60):
        if number % 20 == 0:
            stream += wire_reference.description(77, 100000, 4, 12, False, 1000, 5000000, b"log")
        rows = [values(4, 0, 4095) for _ in range(5)]
        packet = wire_reference.scans(77, 5 * number, rows, 12)
        if number in (7, 13):
            if number == 7:
                stream += packet[:9] + bytes([packet[9] ^ 0x30 or 1]) + packet[10:]
            after = "lost 5 damaged" if number == 7 else "lost 5 packet lost"
            continue
        stream += packet
        if after:
            told.append(after)
            after = None
        told += [line(row) for row in rows]
    save("packet-serial", stream, told)


def modbus_8x10v():
    """Answers of a module of eight inputs in millivolts, one a line: one damaged, one exception,
    one beyond 10 V."""
    answers, told = [], []
    for number in range(40):
        scan = values(8, 0, 10000)
        registers = [10240 if number == 25 and i == 3 else value for i, value in enumerate(scan)]
        answer = asked_board.framed(b"\x01\x04\x10" + struct.pack(">8H", *registers))
        if number == 12:
            answer = answer[:7] + bytes([answer[7] ^ 0x20]) + answer[8:]
            told.append("lost 1 damaged")
        elif number == 20:
            answer = asked_board.framed(b"\x01\x84\x04")
            told.append("lost 1 refused")
        else:
            if number == 25:
                scan[3] = 10000
            told.append(line(scan))
        answers.append(answer.hex(" "))
    (HERE / "modbus-8x10v.bytes").write_text("\n".join(answers) + "\n")
    (HERE / "modbus-8x10v.scans").write_text("\n".join(told) + "\n")


def tmc_burst_4x16():
    """Definite length blocks of 40 scans (the board may send fewer than 500), a message a line; one
    says that it is longer than it is, and costs the 500 that were asked for."""
    messages, told = [], []
    for number in range(5):
        scans = [values(4, -32768, 32767) for _ in range(40)]
        body = b"".join(struct.pack(">4h", *scan) for scan in scans)
        if number == 2:
            messages.append((b"#3" + b"%03d" % len(body) + body[:-9]).hex(" "))
            told.append("lost 500 damaged")
            continue
        messages.append((b"#3" + b"%03d" % len(body) + body + b"\n").hex(" "))
        told += [line(scan) for scan in scans]
    (HERE / "tmc-burst-4x16.bytes").write_text("\n".join(messages) + "\n")
    (HERE / "tmc-burst-4x16.scans").write_text("\n".join(told) + "\n")


text_lines()
packed("packets-8x16", 20, packet_8x16,
       lambda: [values(8, -32768, 32767) for _ in range(10)], 10, 1)
packed("bulk-packed-12", 10, packet_packed_12,
       lambda: [values(4, 0, 4095) for _ in range(84)], 84, 84, tail=6, damaged=3, missing=6)
packed("packets-2x24", 300, packet_2x24,
       lambda: [values(2, -(1 << 23), (1 << 23) - 1)], 1, 1)
text_serial()
packet_serial()
modbus_8x10v()
tmc_burst_4x16()
packed("iso-8x16", 20, packet_iso,
       lambda: [values(8, -32768, 32767) for _ in range(12)], 12, 12)
