# SPDX-License-Identifier: Apache-2.0
"""One labelled case from a seed: a recording, its hookup file, and what is true of it."""
import dataclasses
import zlib

import numpy
from scipy import fft

import faults
import sensors
from machine import Attempt, Machine, run

WHEELS = ["60-2", "36-1", "36-2", "24", "24-1", "12-1", "8", "4", "2", "uneven", "36-2-2", "12-3"]
OUTCOMES = ["started", "did-not-start"]


@dataclasses.dataclass
class Sensor:
    name: str
    kind: str
    shaft: str
    wheel: str
    windows: list
    feed: str                # names of channels; None: has none
    low_side: str
    signal: str
    pull_up: object          # volts, "feed" or "battery"
    drop: float              # across the output while it pulls low
    volts: float = 3.0       # of a winding, at 200 rpm
    dead: numpy.ndarray = None    # the output does not get through
    level: float = None           # and the wire rests here (None: where it was)
    weaken: numpy.ndarray = None  # share of the swing that is left


@dataclasses.dataclass
class Channel:
    name: str
    role: str
    lines: list
    lowest: float
    highest: float
    values: numpy.ndarray = None


class Case:
    """Everything of one case; `faults` changes it in three stages: plan, wires, leads."""

    def __init__(self, seed, fault):
        self.seed, self.fault = seed, fault
        self.rng = numpy.random.default_rng([seed, zlib.crc32(fault.encode())])
        self.options = {"outcome": str(self.rng.choice(OUTCOMES)), "attempts": 1, "run": {},
                        "need": set(), "ground_ohms": self.rng.uniform(0.00008, 0.00025)}
        self.label = {"fault": "nothing-found", "accept": ["nothing-found"], "circuit": "none",
                      "sensor": None, "channel": None, "onset": None, "end": None,
                      "visible": True, "not_tested": None, "severity": None, "detail": fault}
        worker = faults.FAULTS[fault]()
        worker.plan(self)
        self.make_machine()
        self.make_outfit()
        self.make_wires()
        worker.wires(self)
        self.make_channels()
        worker.leads(self)
        self.finish()

    # ---------------------------------------------------------------- what happens
    def make_machine(self):
        rng, options = self.rng, self.options
        rate = float(options.get("rate") or rng.choice([2000, 2500, 4000, 5000, 5000, 8000, 10000]))
        rpm = options.get("rpm") or float(rng.uniform(130, 240))
        key_on = rng.uniform(0.6, 1.5)
        at = key_on + rng.uniform(1.2, 2.5)
        attempts = []
        for _ in range(options["attempts"]):
            outcome = options["outcome"]
            length = rng.uniform(2.2, 4.5)
            attempt = Attempt(at, at + length, outcome, rpm)
            if outcome == "released-early":
                attempt.release = at + rng.uniform(0.4, 0.8)
            if outcome.startswith("started"):
                attempt.catch = attempt.release - rng.uniform(0.15, 0.5)
            if outcome == "started-then-stopped":
                attempt.stop = attempt.release + rng.uniform(2.0, 3.0)
            attempts.append(attempt)
            at = attempt.release + rng.uniform(3.0, 4.0)
        end = (attempts[-1].stop or attempts[-1].release) + rng.uniform(3.0, 4.5)
        key_off = end + 10
        if rng.random() < 0.5 and "started" != options["outcome"]:
            key_off = end - rng.uniform(0.4, 1.2)
        system = options.get("system") or (24 if rng.random() < 0.15 else 12)
        time = numpy.arange(int(end * rate)) / rate
        self.machine = Machine(time, rate, system, int(rng.choice([3, 4, 4, 4, 5, 6, 8])), key_on,
                               key_off, attempts)
        run(self.machine, rng, **options["run"])
        self.main = attempts[-1]

    # ---------------------------------------------------------------- what is watched
    def make_outfit(self):
        rng, options = self.rng, self.options
        count = options.get("sensors") or int(rng.choice([1, 1, 2, 2, 2, 3, 4]))
        names = ["crank", "cam", "cam-exhaust", "crank-rear"][:count]
        shared_feed = count > 1 and rng.random() < 0.4
        shared_return = count > 1 and rng.random() < 0.4
        kinds = ["battery", "5", "5", "5", "8"] + (["9", "10"] if self.machine.system == 24 else [])
        nominal = str(rng.choice(kinds))
        self.sensors, self.nominals = [], {}
        for name in names:
            kind = options.get("kind") or ("inductive" if rng.random() < 0.2 else "hall")
            shaft = "crank" if name.startswith("crank") else "cam"
            wheel = self.choose_wheel(shaft)
            feed = None
            if kind == "hall":
                feed = "sensor-feed" if shared_feed else name + "-feed"
                self.nominals[feed] = nominal
            low_side = "sensor-return" if shared_return and kind == "hall" else name + "-return"
            self.sensors.append(Sensor(
                name, kind, shaft, wheel, sensors.wheel_windows(wheel, rng), feed, low_side,
                name + "-signal", self.choose_pull_up(nominal, rng), rng.uniform(0.06, 0.2),
                volts=rng.uniform(2, 6)))
        chance = {"starter-current": 0.5, "supply": 0.35, "ground": 0.35, "ignition": 0.3,
                  "start-request": 0.3, "command": 0.3, "reference": 0.2}
        self.roles = {role for role, share in chance.items() if rng.random() < share}
        self.roles |= options["need"]
        self.dropped = set()       # channels that nobody connected

    def choose_wheel(self, shaft):
        if shaft == "cam":
            return str(self.rng.choice(["cam-pulse", "4", "uneven", "2"]))
        fits = [wheel for wheel in WHEELS if wheel == "uneven" or
                int(wheel.split("-")[0]) * self.main.rpm / 60 * 14 < self.machine.rate]
        return str(self.rng.choice(fits))

    @staticmethod
    def choose_pull_up(nominal, rng):
        return float(5) if nominal != "battery" or rng.random() < 0.7 else "battery"

    # ---------------------------------------------------------------- what the wires do
    def make_wires(self):
        rng, machine = self.rng, self.machine
        self.lift = machine.current * self.options["ground_ohms"]
        self.supply = numpy.where(machine.key, machine.battery - rng.uniform(0.1, 0.4), 0.0)
        self.feeds = {}
        for name, nominal in self.nominals.items():
            if nominal == "battery":
                level = self.supply - rng.uniform(0.02, 0.15)
            else:
                level = numpy.minimum(float(nominal) * (1 + rng.uniform(-0.006, 0.006)) + self.lift,
                                      self.supply - rng.uniform(0.3, 0.7))
            self.feeds[name] = numpy.maximum(numpy.where(machine.key, level, 0), 0)
        self.returns = {}
        for sensor in self.sensors:
            own = rng.uniform(0.004, 0.02) if sensor.kind == "hall" else 0.002
            self.returns[sensor.low_side] = self.lift + machine.key * own

    def pulled_up_to(self, sensor):
        if sensor.pull_up == "feed":
            return self.feeds[sensor.feed]
        if sensor.pull_up == "battery":
            return self.supply
        return numpy.where(self.machine.key, numpy.minimum(float(sensor.pull_up) * 0.995 + self.lift,
                                                           self.supply), 0.0)

    def signal_of(self, sensor):
        """The signal wire, and whether the control unit still sees the sensor work."""
        turns = self.machine.angle / (2 if sensor.shaft == "cam" else 1)
        low_side, moving = self.returns[sensor.low_side], numpy.ones(len(turns), dtype=bool)
        weaken = 1.0 if sensor.weaken is None else sensor.weaken
        if sensor.kind == "inductive":
            speed = self.machine.speed / (2 if sensor.shaft == "cam" else 1)
            wire = low_side + weaken * sensors.winding(turns, sensor.windows, speed, sensor.volts)
        else:
            tooth = sensors.at_tooth(turns, sensor.windows)
            high = self.pulled_up_to(sensor)
            wire, moving = sensors.hall_output(tooth, self.feeds[sensor.feed], low_side, high,
                                               sensor.drop)
            wire = high - (high - wire) * weaken
        if sensor.dead is not None:
            rest = low_side + sensor.drop if sensor.level == 0 else (
                low_side if sensor.kind == "inductive" else self.pulled_up_to(sensor))
            wire = numpy.where(sensor.dead, rest, wire)
            moving &= ~sensor.dead
        return wire, moving

    def commands(self, seen):
        """An injector: pulled low once a cycle while the control unit sees the crank turn."""
        machine = self.machine
        cycle = machine.angle / 2 + 0.3
        fires = (cycle % 1.0) < 0.006 * numpy.maximum(machine.speed, 60) / 120
        begin = machine.angle - numpy.interp(self.main.engage, machine.time, machine.angle) > 1
        return numpy.where(fires & begin & seen & (machine.speed > 40), 0.3, self.supply)

    # ---------------------------------------------------------------- what the leads show
    def make_channels(self):
        machine, top = self.machine, 18.0 * self.machine.system / 12
        self.channels = []
        self.add("battery", "battery", machine.battery, -1, top)
        for name, values in self.feeds.items():
            self.add(name, "feed", values, -0.5,
                     top if self.nominals[name] == "battery" else float(self.nominals[name]) * 1.3,
                     [f"nominal = {self.nominals[name]}", "measured-at = sensor"])
        for name, values in self.returns.items():
            self.add(name, "return", values, -1.0, 6.0, ["measured-at = sensor"])
        crank_seen = None
        for sensor in self.sensors:
            wire, moving = self.signal_of(sensor)
            if crank_seen is None:
                crank_seen = moving
            span = (-30, 30) if sensor.kind == "inductive" else (
                (-1, top) if sensor.pull_up == "battery" else (-0.5, 6.5))
            self.add(sensor.signal, "signal", wire, *span)
        requested = sum((machine.time > attempt.engage - 0.03) & (machine.time < attempt.release)
                        for attempt in machine.attempts) > 0
        extras = {
            "starter-current": (machine.current, -100, 1200),
            "supply": (self.supply, -1, top), "ground": (self.lift, -1, 4),
            "ignition": (numpy.where(machine.key, machine.battery - 0.05, 0), -1, top),
            "start-request": (numpy.where(requested, machine.battery - 0.3, 0), -1, top),
            "command": (self.commands(crank_seen), -1, top),
            "reference": (numpy.full(len(machine.time), 2.5), -0.5, 6)}
        for role, (values, lowest, highest) in extras.items():
            if role in self.roles:
                lines = ["nominal = 2.5"] if role == "reference" else []
                self.add(role, role, values, lowest, highest, lines)
        self.channels = [channel for channel in self.channels if channel.name not in self.dropped]

    def add(self, name, role, values, lowest, highest, lines=()):
        self.channels.append(Channel(name, role, list(lines), lowest, highest, values))

    def channel(self, name):
        return next((channel for channel in self.channels if channel.name == name), None)

    # ---------------------------------------------------------------- the board, the files
    def finish(self):
        rng = self.rng
        bits = int(self.options.get("bits") or rng.choice([10, 12, 12, 12, 14, 16]))
        for channel in self.channels:
            step = (channel.highest - channel.lowest) / 2 ** bits
            size, padded = len(channel.values), fft.next_fast_len(len(channel.values), real=True)
            white = rng.normal(0, max(0.6 * step, rng.uniform(0.0005, 0.002)
                                      * (channel.highest - channel.lowest) / 6), size)
            pink = fft.irfft(fft.rfft(rng.normal(0, 1, padded))
                                   / numpy.sqrt(numpy.arange(padded // 2 + 1) + 1), padded)[:size]
            noisy = channel.values + white + 0.7 * step * pink / pink.std()
            codes = numpy.rint((noisy - channel.lowest) / step)
            channel.codes = numpy.clip(codes, 0, 2 ** bits - 1).astype(int)
            channel.step = step
        self.label["attempts"] = [dataclasses.asdict(attempt) for attempt in self.machine.attempts]
        self.label["rate"], self.label["bits"] = self.machine.rate, bits
        self.label["channels"] = [channel.name for channel in self.channels]

    def hookup(self):
        machine = self.machine
        lines = ["[vehicle]", f"name = case {self.seed}", f"cylinders = {machine.cylinders}",
                 f"system = {self.options.get('said_system', machine.system)}",
                 "ground = battery-negative", ""]
        for channel in self.channels:
            lines += [f"[channel {channel.name}]", f"role = {channel.role}", *channel.lines, ""]
        there = {channel.name for channel in self.channels}
        for sensor in self.sensors:
            if sensor.signal not in there:
                continue
            lines += [f"[sensor {sensor.name}]", f"kind = {sensor.kind}",
                      f"signal = {sensor.signal}", f"shaft = {sensor.shaft}"]
            lines += [f"return = {sensor.low_side}"] if sensor.low_side in there else []
            lines += [f"feed = {sensor.feed}"] if sensor.feed in there else []
            if sensor.kind == "hall" and (sensor.pull_up != "feed" or sensor.feed in there):
                lines += [f"pull-up = {sensor.pull_up}"]
            if sensor.wheel.replace("-", "").isdigit() and self.seed % 3 == 0:
                lines += [f"wheel = {sensor.wheel}"]
            lines += [""]
        return "\n".join(lines)

    def write(self, csv_path, hookup_path):
        columns = [[f"{time:.6f}" for time in self.machine.time]]
        for channel in self.channels:
            low, high = channel.codes.min(), channel.codes.max()
            texts = [f"{channel.lowest + code * channel.step:.5f}" for code in range(low, high + 1)]
            columns.append([texts[code] for code in (channel.codes - low).tolist()])
        with open(csv_path, "w", encoding="ascii") as file:
            file.write(",".join(["time_s"] + [channel.name for channel in self.channels]) + "\n")
            file.write("\n".join(map(",".join, zip(*columns))) + "\n")
        with open(hookup_path, "w", encoding="ascii") as file:
            file.write(self.hookup())
