# SPDX-License-Identifier: Apache-2.0
"""What happens to the engine: key, starter, speed, crank angle, current and battery voltage.

Written from the words of the trade, not from the simulator: own equations. Every array is sampled
on `Machine.time`; times in seconds, speed in rpm, angle in crank revolutions.
"""
import dataclasses

import numpy
from scipy import signal


@dataclasses.dataclass
class Attempt:
    engage: float
    release: float
    outcome: str
    rpm: float               # mean speed of steady cranking; 0: does not turn
    catch: float = None      # the engine fires from here on
    stop: float = None       # and dies here


@dataclasses.dataclass
class Machine:
    time: numpy.ndarray
    rate: float
    system: int
    cylinders: int
    key_on: float
    key_off: float
    attempts: list
    speed: numpy.ndarray = None
    angle: numpy.ndarray = None
    current: numpy.ndarray = None
    battery: numpy.ndarray = None
    key: numpy.ndarray = None


def lag(values, seconds, rate):
    """A first-order lag that starts settled."""
    keep = numpy.exp(-1.0 / (max(seconds, 1e-9) * rate))
    out, _ = signal.lfilter([1 - keep], [1, -keep], values, zi=[values[0] * keep])
    return out


def mean_speed(attempt, time, rng):
    """Speed without the compressions."""
    speed = numpy.zeros_like(time)
    if attempt.rpm <= 0:
        return speed
    run_up, run_down, idle = rng.uniform(0.05, 0.09), rng.uniform(0.3, 0.6), rng.uniform(700, 1000)
    begin = attempt.engage + rng.uniform(0.02, 0.035)
    cranking = attempt.rpm * -numpy.expm1(-numpy.maximum(time - begin, 0) / run_up)
    ends = attempt.release
    if attempt.catch is not None:
        after = numpy.maximum(time - attempt.catch, 0)
        fired = idle + (attempt.rpm - idle) * numpy.exp(-after / rng.uniform(0.15, 0.35))
        cranking = numpy.where(time < attempt.catch, cranking, fired)
        ends = attempt.stop
    if ends is not None:
        at_end = numpy.interp(ends, time, cranking)
        falling = numpy.maximum(at_end * (1 - (time - ends) / run_down), 0)
        cranking = numpy.where(time < ends, cranking, falling)
    return cranking


def compressions(machine, mean, depth, rng):
    """Crank angle and speed: the compressions recur at fixed crank angles."""
    smooth = numpy.concatenate([[0], numpy.cumsum(mean)[:-1]]) / machine.rate / 60
    per_turn = machine.cylinders / 2
    grid = numpy.linspace(0, smooth[-1] + 2, max(2000, int((smooth[-1] + 2) * 400)))
    phase = rng.uniform(0, 2 * numpy.pi)
    weight = 1 / (1 + depth * numpy.cos(2 * numpy.pi * per_turn * grid + phase))
    steps = numpy.diff(grid) * (weight[1:] + weight[:-1]) / 2
    smooth_of_grid = numpy.concatenate([[0], numpy.cumsum(steps)])
    smooth_of_grid *= grid[-1] / smooth_of_grid[-1]
    rough = numpy.interp(smooth, smooth_of_grid, grid)
    # A running engine carries itself over the compressions more evenly.
    share = numpy.clip(1.3 - mean / 800, 0.15, 1)
    machine.angle = smooth + lag((rough - smooth) * share, 0.002, machine.rate) + rng.uniform(0, 1)
    machine.speed = numpy.gradient(machine.angle) * machine.rate * 60


def starter_current(machine, locked, load):
    total = numpy.zeros_like(machine.time)
    for attempt in machine.attempts:
        engaged = (machine.time >= attempt.engage) & (machine.time < attempt.release)
        if attempt.outcome == "did-not-crank":
            continue
        slope = (locked - load) / attempt.rpm
        pull = numpy.maximum(locked - slope * machine.speed, 0.35 * load)
        total = numpy.where(engaged, pull, total)
    return lag(total, 0.004, machine.rate)


def run(machine, rng, depth=None, locked=None, load=None, resistance=None, rest=None,
        charging=0.8, charge_to=None, bounces=(), extra=(), stuck=None, recording=None,
        ripple=0.0, joined=None):
    """Fills speed, angle, current and battery.

    `charging`: seconds from catching to charging. `bounces`: (after key-on, length) without key.
    `extra`: (after key-on, length, amperes) of other loads. `stuck`: amperes into a starter that
    does not turn. `ripple`: volts of a mains charger, twice the mains' 50 Hz. `joined`: (after
    key-on, volts) of a jump pack that is connected then.
    """
    twice = machine.system / 12
    depth = rng.uniform(0.08, 0.25) if depth is None else depth
    load = rng.uniform(130, 200) if load is None else load
    locked = load * rng.uniform(3, 4) if locked is None else locked
    resistance = rng.uniform(0.006, 0.0095) * twice if resistance is None else resistance
    rest = rng.uniform(12.35, 12.75) * twice if rest is None else rest
    charge_to = rng.uniform(13.9, 14.5) * twice if charge_to is None else charge_to
    time = machine.time
    machine.key = (time >= machine.key_on) & (time < machine.key_off)
    for after, length in bounces:
        machine.key &= (time < machine.key_on + after) | (time >= machine.key_on + after + length)
    mean = sum(mean_speed(attempt, time, rng) for attempt in machine.attempts)
    if recording is not None:
        mean = recording.mean_speed(time)
    compressions(machine, mean, depth, rng)
    machine.current = starter_current(machine, locked, load)
    loads = lag(machine.key * rng.uniform(4, 15) + rng.uniform(0, 2), 0.02, machine.rate)
    if stuck is not None:
        engaged = sum((time >= one.engage) & (time < one.release) for one in machine.attempts) > 0
        machine.current = lag(engaged * stuck, 0.004, machine.rate)
    for after, length, amperes in extra:
        begin = machine.key_on + after
        loads = loads + lag(((time >= begin) & (time < begin + length)) * amperes, 0.02,
                            machine.rate)
    drawn = machine.current + loads
    machine.battery = rest - resistance * (0.75 * drawn + 0.25 * lag(drawn, 0.6, machine.rate))
    machine.battery += ripple * (numpy.abs(numpy.sin(2 * numpy.pi * 50 * time)) - 0.64)
    if joined is not None:
        machine.battery += joined[1] * lag((time > machine.key_on + joined[0]).astype(float), 0.03,
                                           machine.rate)
    for attempt in machine.attempts:
        if attempt.catch is None:
            continue
        begin = max(attempt.catch, attempt.release) + charging
        end = machine.key_off if attempt.stop is None else attempt.stop
        on = lag(((time >= begin) & (time < end)).astype(float), 0.25, machine.rate)
        machine.battery += on * (charge_to - rest)
    return machine
