# SPDX-License-Identifier: Apache-2.0
"""The board that samples a case, and the two files that come of it."""
import numpy
from scipy import fft


def measure(case):
    """White and pink noise, then whole steps of the converter, clipped at its rails."""
    rng = case.rng
    bits = int(case.options.get("bits") or rng.choice([10, 12, 12, 12, 14, 16]))
    more = case.options.get("noise", 1.0)
    for channel in case.channels:
        span = channel.highest - channel.lowest
        channel.step = span / 2 ** bits
        size = len(channel.values)
        padded = fft.next_fast_len(size, real=True)
        white = rng.normal(0, max(0.6 * channel.step, rng.uniform(0.0005, 0.002) * span / 6), size)
        fall = numpy.sqrt(numpy.arange(padded // 2 + 1) + 1)
        spectrum = fft.rfft(rng.normal(0, 1, padded)) / fall
        pink = fft.irfft(spectrum, padded)[:size]
        noisy = channel.values + more * (white + 0.7 * channel.step * pink / pink.std())
        codes = numpy.rint((noisy - channel.lowest) / channel.step)
        channel.codes = numpy.clip(codes, 0, 2 ** bits - 1).astype(int)
    case.label["bits"] = bits


def hookup(case):
    machine = case.machine
    lines = ["[vehicle]", f"name = case {case.seed}", f"cylinders = {machine.cylinders}",
             f"system = {case.options.get('said_system', machine.system)}",
             "ground = battery-negative", ""]
    for channel in case.channels:
        lines += [f"[channel {channel.name}]", f"role = {channel.role}", *channel.lines, ""]
    there = {channel.name for channel in case.channels}
    for sensor in case.sensors:
        if sensor.signal in there:
            lines += sensor_section(case, sensor, there) + [""]
    return "\n".join(lines)


def sensor_section(case, sensor, there):
    lines = [f"[sensor {sensor.name}]", f"kind = {sensor.kind}", f"signal = {sensor.signal}",
             f"shaft = {sensor.shaft}"]
    if sensor.low_side in there:
        lines.append(f"return = {sensor.low_side}")
    if sensor.feed in there:
        lines.append(f"feed = {sensor.feed}")
    if sensor.kind == "hall" and (sensor.pull_up != "feed" or sensor.feed in there):
        lines.append(f"pull-up = {sensor.pull_up}")
    if sensor.wheel.replace("-", "").isdigit() and case.seed % 3 == 0:
        lines.append(f"wheel = {sensor.wheel}")
    return lines


def write(case, csv_path, hookup_path):
    columns = [[f"{time:.6f}" for time in case.machine.time]]
    for channel in case.channels:
        low, high = channel.codes.min(), channel.codes.max()
        texts = [f"{channel.lowest + code * channel.step:.5f}" for code in range(low, high + 1)]
        columns.append([texts[code] for code in (channel.codes - low).tolist()])
    with open(csv_path, "w", encoding="ascii") as file:
        file.write(",".join(["time_s"] + [channel.name for channel in case.channels]) + "\n")
        file.write("\n".join(map(",".join, zip(*columns))) + "\n")
    with open(hookup_path, "w", encoding="ascii") as file:
        file.write(hookup(case))
