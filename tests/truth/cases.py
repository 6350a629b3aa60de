# SPDX-License-Identifier: Apache-2.0
"""One labelled case from a seed: a recording, its hookup file, and what is true of it."""
import dataclasses
import zlib

import numpy

import board
import kinds
import recordings
import sensors
import truth
from machine import Attempt, Machine, lag, run

WHEELS = ["60-2", "36-1", "36-2", "24", "24-1", "12-1", "8", "4", "2", "uneven", "36-2-2", "12-3",
          "coded"]
OUTCOMES = ["started", "did-not-start"]
RATES = [2000, 2500, 4000, 5000, 8000, 10000] * 5 + [500, 1000, 20000, 50000, 100000]
SAMPLES_PER_STATE = 6    # a wheel is chosen so that its shortest state holds as many


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
    weaken: float = 1.0           # share of the swing that is left
    weak_high: bool = False       # the high is weak, not the low
    recorded: numpy.ndarray = None  # high or low, by a real engine
    jump: numpy.ndarray = None    # of the shaft against the crank, in crank revolutions


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
        self.over = numpy.inf      # a fault that lasts is gone by then
        self.ground_at = "battery-negative"
        self.options = {"outcome": str(self.rng.choice(OUTCOMES)), "attempts": 1, "run": {},
                        "need": set(), "ground_ohms": self.rng.uniform(0.00006, 0.00015)}
        self.label = {"fault": "nothing-found", "accept": ["nothing-found"], "circuit": "none",
                      "sensor": None, "channel": None, "onset": None, "end": None,
                      "visible": True, "not_tested": None, "severity": None, "slack": 0.0}
        worker = kinds.worker_of(fault)
        worker.plan(self)
        self.plan_two_attempts(worker)
        self.recording = recordings.choose(fault, self.options, self.rng)
        self.make_machine()
        self.make_outfit()
        self.make_supply()
        worker.supplies(self)
        self.make_wires()
        worker.wires(self)
        self.make_channels()
        self.move_ground(worker)
        worker.leads(self)
        if self.options.get("hidden", self.rng.random() < 0.12):
            self.hide(worker)
        board.measure(self)
        self.fill_label()

    # ---------------------------------------------------------------- what happens
    def plan_two_attempts(self, worker):
        """Some faults come at the second attempt, or at the first and are gone at the second."""
        self.fault_at_first = False
        if not worker.passes or self.rng.random() > 0.2:
            return
        if self.options["outcome"] != "did-not-start" or self.options["attempts"] > 1:
            return
        self.options.update(attempts=2, first=["did-not-start"])
        if self.rng.random() < 0.5:
            self.fault_at_first = True
            self.options["outcome"] = "started"

    def choose_rpm(self):
        """Most within 130 to 240 rpm; some in the cold, some with little compression."""
        pick = self.rng.random()
        low, high = (130, 240) if pick < 0.75 else (90, 130) if pick < 0.88 else (240, 400)
        return float(self.rng.uniform(low, high))

    def make_machine(self):
        rng, options = self.rng, self.options
        rate = float(options.get("rate") or rng.choice(RATES))
        rpm = options["rpm"] if "rpm" in options else self.choose_rpm()
        key_on = rng.uniform(0.6, 1.5)
        at = key_on + rng.uniform(1.2, 2.5)
        attempts = []
        for index in range(options["attempts"]):
            last = index + 1 == options["attempts"]
            outcome = options["outcome"] if last else options["first"][index]
            attempts.append(self.make_attempt(at, outcome, rpm))
            at = (attempts[-1].stop or attempts[-1].release) + rng.uniform(3.0, 4.0)
        if self.recording:
            attempts = [self.recording.attempt(options["outcome"])]
        end = (attempts[-1].stop or attempts[-1].release) + rng.uniform(3.0, 4.5)
        key_off = end + 10
        if "keyed_off" in options:
            key_off = attempts[-1].stop = attempts[-1].release + options["keyed_off"]
            end = key_off + 1.5
        elif "cut" in options:
            end = at = attempts[-1].engage + options["cut"]
        elif rng.random() < 0.5 and options["outcome"] != "started":
            key_off = end - rng.uniform(0.4, 1.2)
        if self.recording and options["outcome"] == "started":
            end = self.recording.edges[-1]
        system = options.get("system") or (24 if rng.random() < 0.15 else 12)
        time = numpy.arange(int(end * rate)) / rate
        self.machine = Machine(time, rate, system, int(rng.choice([3, 4, 4, 4, 5, 6, 8])), key_on,
                               key_off, attempts)
        run(self.machine, rng, bounces=options.get("bounces", ()),
            extra=options.get("extra", ()), recording=self.recording, **options["run"])
        self.main = attempts[-1]
        if self.fault_at_first:
            self.main, self.over = attempts[0], attempts[1].engage - 0.4

    def make_attempt(self, at, outcome, rpm):
        rng = self.rng
        attempt = Attempt(at, at + self.options.get("length", rng.uniform(2.2, 4.5)), outcome, rpm)
        if outcome == "released-early":
            attempt.release = at + rng.uniform(0.4, 0.8)
        if outcome.startswith("started"):
            attempt.catch = attempt.release - rng.uniform(0.15, 0.5)
        if outcome == "started-then-stopped":
            attempt.stop = attempt.release + rng.uniform(2.0, 3.0)
        return attempt

    # ---------------------------------------------------------------- what is watched
    def make_outfit(self):
        rng, options = self.rng, self.options
        count = options.get("sensors") or int(rng.choice([1, 1, 2, 2, 2, 3, 4]))
        names = ["crank", "cam", "cam-exhaust", "crank-rear"][:count]
        shared_feed = count > 1 and rng.random() < 0.4
        shared_return = count > 1 and rng.random() < 0.4
        voltages = ["battery", "5", "5", "5", "8", "9", "10"]
        nominal = options.get("nominal") or str(rng.choice(voltages))
        self.sensors, self.nominals = [], {}
        for index, name in enumerate(names):
            kind = options.get("kind") or ("inductive" if rng.random() < 0.2 else "hall")
            shaft = "crank" if name.startswith("crank") else "cam"
            given = options.get("wheel") if index == 0 else None
            wheel, windows = self.choose_wheel(shaft, given)
            feed = None
            if kind == "hall":
                feed = "sensor-feed" if shared_feed else name + "-feed"
                self.nominals[feed] = nominal
            low_side = "sensor-return" if shared_return and kind == "hall" else name + "-return"
            self.sensors.append(Sensor(
                name, kind, shaft, wheel, windows, feed, low_side, name + "-signal",
                self.choose_pull_up(nominal, rng), rng.uniform(0.06, 0.2),
                volts=rng.uniform(2, 6)))
            if self.recording:
                self.sensors[-1].wheel = "uneven"
                self.sensors[-1].recorded = self.recording.level(index, self.machine.time)
        chance = {"starter-current": 0.5, "supply": 0.35, "ground": 0.35, "ignition": 0.3,
                  "start-request": 0.3, "command": 0.3, "reference": 0.2}
        self.roles = {role for role, share in chance.items() if rng.random() < share}
        self.roles |= options["need"]
        self.dropped = self.not_connected()

    def choose_wheel(self, shaft, given):
        """A wheel whose shortest state can be seen at this rate, where none is asked for."""
        per_turn = 60 * self.machine.rate / max(self.main.rpm, 1) * (2 if shaft == "cam" else 1)
        for _ in range(50):
            names = ["cam-pulse", "4", "uneven", "2"] if shaft == "cam" else WHEELS
            wheel = given or str(self.rng.choice(names))
            windows = sensors.wheel_windows(wheel, self.rng)
            if given or sensors.shortest_state(windows) * per_turn / 1.25 > SAMPLES_PER_STATE:
                break
        else:
            wheel, windows = "2", [(0.1, 0.25), (0.6, 0.25)]
        return wheel, windows

    @staticmethod
    def choose_pull_up(nominal, rng):
        pick = rng.random()
        if nominal == "battery":
            return 5.0 if pick < 0.6 else "battery" if pick < 0.85 else "feed"
        return 5.0 if pick < 0.75 else "feed"

    def not_connected(self):
        """Channels that nobody connected: feeds and returns of sensors that are not to blame."""
        first, away = self.sensors[0], set()
        for sensor in self.sensors[1:]:
            away |= {name for name in (sensor.feed, sensor.low_side) if self.rng.random() < 0.15}
        return away - {first.feed, first.low_side, None}

    def move_ground(self, worker):
        """The board's ground lead on the engine: every level is seen from there."""
        if not worker.any_ground or self.rng.random() > 0.1:
            return
        self.ground_at = str(self.rng.choice(["engine", "body", "ecu"]))
        for channel in self.channels:
            if channel.role not in ("starter-current", "reference"):
                channel.values = channel.values - self.lift

    # ---------------------------------------------------------------- what the wires do
    def make_supply(self):
        machine = self.machine
        self.lift = machine.current * self.options["ground_ohms"]
        self.supply = numpy.where(machine.key, machine.battery - self.rng.uniform(0.1, 0.3), 0.0)

    def make_wires(self):
        """Feeds rise and fall within milliseconds: each has a capacitor behind its regulator."""
        rng, machine = self.rng, self.machine
        self.feeds = {}
        for name, nominal in self.nominals.items():
            if nominal == "battery":
                level = self.supply - rng.uniform(0.02, 0.15)
            else:
                level = numpy.minimum(float(nominal) * (1 + rng.uniform(-0.006, 0.006)) + self.lift,
                                      self.supply - rng.uniform(0.3, 0.5))
            level = numpy.maximum(numpy.where(machine.key, level, 0), 0)
            self.feeds[name] = lag(level, 0.002, machine.rate)
        self.returns = {}
        for sensor in self.sensors:
            own = rng.uniform(0.004, 0.02) if sensor.kind == "hall" else 0.002
            self.returns[sensor.low_side] = self.lift + machine.key * own

    def pulled_up_to(self, sensor):
        if sensor.pull_up == "feed":
            return self.feeds[sensor.feed]
        if sensor.pull_up == "battery":
            return self.supply
        level = numpy.minimum(float(sensor.pull_up) * 0.995 + self.lift, self.supply)
        return numpy.where(self.machine.key, level, 0.0)

    def signal_of(self, sensor):
        """The signal wire, and whether the control unit still sees the sensor work."""
        turns = self.machine.angle + (0 if sensor.jump is None else sensor.jump)
        turns = turns / (2 if sensor.shaft == "cam" else 1)
        low_side, moving = self.returns[sensor.low_side], numpy.ones(len(turns), dtype=bool)
        if sensor.kind == "inductive":
            speed = self.machine.speed / (2 if sensor.shaft == "cam" else 1)
            swing = sensors.winding(turns, sensor.windows, speed, sensor.volts)
            wire = low_side + sensor.weaken * swing
        else:
            tooth = sensors.at_tooth(turns, sensor.windows) if sensor.recorded is None else (
                ~sensor.recorded)
            high = self.pulled_up_to(sensor)
            wire, moving = sensors.hall_output(tooth, self.feeds[sensor.feed], low_side, high,
                                               sensor.drop)
            if sensor.weak_high:
                high = low_side + (high - low_side) * sensor.weaken
                wire = numpy.minimum(wire, numpy.maximum(high, 0))
            else:
                wire = high - (high - wire) * sensor.weaken
        if sensor.dead is not None:
            rest = low_side + sensor.drop if sensor.level == 0 else (
                low_side if sensor.kind == "inductive" else self.pulled_up_to(sensor))
            wire = numpy.where(sensor.dead, rest, wire)
            moving &= ~sensor.dead
        return wire, moving

    def commands(self, seen):
        """An injector: pulled low once a cycle while the control unit sees the crank turn."""
        if self.options.get("mute"):
            return self.supply
        machine = self.machine
        cycle = machine.angle / 2 + 0.3
        fires = (cycle % 1.0) < 0.006 * numpy.maximum(machine.speed, 60) / 120
        begin = machine.time < 0
        for attempt in machine.attempts:
            engaged = numpy.interp(attempt.engage, machine.time, machine.angle)
            begin |= (machine.time > attempt.engage) & (machine.angle > engaged + 1)
        return numpy.where(fires & begin & seen & (machine.speed > 40), 0.3, self.supply)

    # ---------------------------------------------------------------- what the leads show
    def make_channels(self):
        machine, top = self.machine, 18.0 * self.machine.system / 12
        self.channels = []
        self.add("battery", "battery", machine.battery, -1, top)
        for name, values in self.feeds.items():
            self.add(name, "feed", values, -0.5,
                     top if self.nominals[name] == "battery" else float(self.nominals[name]) * 1.3,
                     [f"nominal = {self.nominals[name]}"] + self.measured_at())
        for name, values in self.returns.items():
            self.add(name, "return", values, -1.0, 6.0, self.measured_at())
        crank_seen = None
        for sensor in self.sensors:
            wire, moving = self.signal_of(sensor)
            if crank_seen is None:
                crank_seen = moving
            span = (-30, 30) if sensor.kind == "inductive" else (
                (-1, top) if "battery" in (sensor.pull_up, self.nominals[sensor.feed]) else
                (-0.5, max(6.5, float(self.nominals[sensor.feed]) * 1.2)))
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
        if self.options.get("unseen"):
            extras["start-request"] = (0 * machine.time, -1, top)
        for role, (values, lowest, highest) in extras.items():
            if role in self.roles:
                lines = ["nominal = 2.5"] if role == "reference" else []
                self.add(role, role, values, lowest, highest, lines)
        self.channels = [channel for channel in self.channels if channel.name not in self.dropped]

    def measured_at(self):
        place = self.rng.choice(["sensor", "sensor", "ecu", "splice", ""])
        return [f"measured-at = {place}"] if place else []

    def add(self, name, role, values, lowest, highest, lines=()):
        self.channels.append(Channel(name, role, list(lines), lowest, highest, values))

    def channel(self, name):
        return next((channel for channel in self.channels if channel.name == name), None)

    # ---------------------------------------------------------------- what is true
    def hide(self, worker):
        """Takes away what would show the fault: then it must not be named."""
        taken = [channel for channel in self.channels if channel.role in worker.hide]
        if not taken or self.label["fault"] == "nothing-found":
            return
        self.channels = [channel for channel in self.channels if channel not in taken]
        self.label.update(visible=False, not_tested=worker.hide[0],
                          hidden_also=list(worker.hidden_also))

    def fill_label(self):
        told = [dataclasses.asdict(attempt) for attempt in self.machine.attempts]
        for attempt, true in zip(told, self.machine.attempts):
            attempt["outcomes"] = [attempt["outcome"], *self.options.get("outcomes", [])]
            attempt["mean_rpm"] = truth.mean_rpm(self.machine, true)
        if "cut" in self.options:
            told[-1]["outcomes"] = ["unknown"]
        silent = self.label.get("silent") and not self.channel("start-request")
        self.label["attempts"] = [] if self.options.get("unseen") or silent else told
        self.label["due"] = truth.due_period(self)
        self.label["rate"] = self.machine.rate
        self.label["ground"] = self.ground_at
        self.label["channels"] = [channel.name for channel in self.channels]
