#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""asked_board.py - a board on a pseudo-terminal that answers questions: a Modbus RTU slave written
from the open specification with a CRC of its own, or a recording of answers.

  asked_board.py LINK                  slave 1; LINK becomes a link to the pseudo-terminal
  asked_board.py LINK --answers FILE   line N of FILE (hexadecimal) answers question N; "-": nothing

As a slave it gives register r of question n the value (8 n + r) modulo 10001. Commands on stdin,
each answered by a line on stdout:

  fail KIND COUNT   the next COUNT answers: silent, bad-crc, exception (2), wrong-slave, short,
                    flipped (a bit), doubled
  pieces on|off     each answer byte by byte
  vanish, return    the terminal goes, link and all; it comes back as another one
  asked             how many questions there were since it came
"""
import os
import pty
import select
import sys
import tty

PAUSE_S = 0.004  # a question ends with silence


def crc16(data):
    """CRC-16/MODBUS, bit by bit: reflected polynomial A001, begins with FFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


def framed(data):
    """With its check behind it, low byte first."""
    return data + crc16(data).to_bytes(2, "little")


class Slave:
    def __init__(self):
        self.asked = 0

    def answer(self, question):
        """The answer to one question; None where it is none or not ours."""
        if len(question) != 8 or framed(question[:-2]) != question or question[0] != 1:
            return None
        function, first, count = question[1], *(
            int.from_bytes(question[at:at + 2], "big") for at in (2, 4))
        number = self.asked
        self.asked += 1
        if function not in (3, 4):
            return framed(bytes([1, function | 0x80, 1]))
        values = b"".join(((8 * number + first + r) % 10001).to_bytes(2, "big")
                          for r in range(count))
        return framed(bytes([1, function, len(values)]) + values)


class Recording:
    def __init__(self, path):
        with open(path, encoding="ascii") as file:
            self.lines = file.read().split("\n")
        self.asked = 0

    def answer(self, question):
        line = self.lines[self.asked] if question and self.asked < len(self.lines) else "-"
        self.asked += 1
        return None if line.strip() in ("", "-") else bytes.fromhex(line)


def spoiled(kind, answer):
    if kind == "silent":
        return b""
    if kind == "bad-crc":
        return answer[:-1] + bytes([answer[-1] ^ 0x55])
    if kind == "exception":
        return framed(bytes([answer[0], answer[1] | 0x80, 2]))
    if kind == "wrong-slave":
        return framed(bytes([answer[0] + 1]) + answer[1:-2])
    if kind == "short":
        return answer[:-3]
    if kind == "flipped":
        return answer[:5] + bytes([answer[5] ^ 0x10]) + answer[6:]
    if kind == "doubled":
        return answer + answer
    raise SystemExit(f"asked_board.py: no fault \"{kind}\"")


class Board:
    def __init__(self, link, source):
        self.link, self.source = link, source
        self.fault, self.faults, self.pieces = None, 0, False
        self.master = None
        self.come()

    def come(self):
        self.master, other = pty.openpty()
        tty.setraw(other)
        if os.path.lexists(self.link):
            os.unlink(self.link)
        os.symlink(os.ttyname(other), self.link)
        self.held = other  # or reading fails while nobody has it open
        self.source.asked = 0

    def go(self):
        os.unlink(self.link)
        os.close(self.held)
        os.close(self.master)
        self.master = None

    def obey(self, words):
        if words[0] == "fail":
            self.fault, self.faults = words[1], int(words[2])
        elif words[0] == "pieces":
            self.pieces = words[1] == "on"
        elif words[0] == "vanish":
            self.go()
        elif words[0] == "return":
            self.come()
        print(self.source.asked, flush=True)

    def reply(self):
        question = b""
        while select.select([self.master], [], [], PAUSE_S)[0]:
            question += os.read(self.master, 4096)
        answer = self.source.answer(question)
        if answer is None:
            return
        if self.faults:
            self.faults -= 1
            answer = spoiled(self.fault, answer)
        for piece in ([answer[i:i + 1] for i in range(len(answer))] if self.pieces else [answer]):
            os.write(self.master, piece)
            if self.pieces:
                os.sched_yield()

    def run(self):
        while True:
            wait = [0] + ([self.master] if self.master is not None else [])
            ready = select.select(wait, [], [])[0]
            if 0 in ready:
                line = sys.stdin.readline()
                if not line:
                    return
                self.obey(line.split())
            elif ready:
                self.reply()


def main():
    # Check values: of the catalogue of parametrised CRC algorithms (CRC-16/MODBUS, "123456789"),
    # and of the serial line specification's appendix (02 07 is sent with 41 12).
    assert crc16(b"123456789") == 0x4B37
    assert framed(bytes([2, 7])) == bytes([2, 7, 0x41, 0x12])
    source = Recording(sys.argv[3]) if sys.argv[2:3] == ["--answers"] else Slave()
    board = Board(sys.argv[1], source)
    print(0, flush=True)
    board.run()


if __name__ == "__main__":
    main()
