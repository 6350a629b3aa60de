# SPDX-License-Identifier: Apache-2.0
"""The board that samples a case, and the two files that come of it."""
import numpy
from scipy import fft


def measure(case):
    """What a cheap converter makes of the wires: one board, so one resolution and one habit."""
    rng = case.rng
    bits = int(case.options.get("bits") or rng.choice([8] + [10, 12, 12, 12, 14, 16] * 3 + [24]))
    multiplexed, unipolar = rng.random() < 0.4, rng.random() < 0.15
    for place, channel in enumerate(case.channels):
        if unipolar and channel.lowest > -5:
            channel.lowest = 0.0
        channel.step = (channel.highest - channel.lowest) / 2 ** bits
        late = multiplexed and place >= len(case.channels) / 2
        values = numpy.append(channel.values[1:], channel.values[-1]) if late else channel.values
        values = values + case.options.get("noise", 1.0) * noise(channel, len(values), rng)
        codes = numpy.rint(converted(values, channel, bits, rng))
        channel.codes = numpy.clip(codes, 0, 2 ** bits - 1).astype(int)
    case.label.update(bits=bits, multiplexed=bool(multiplexed), unipolar=bool(unipolar))


def noise(channel, size, rng):
    """White, and pink (1/f), which does not average out."""
    span = channel.highest - channel.lowest
    white = rng.normal(0, max(0.6 * channel.step, rng.uniform(0.0005, 0.002) * span / 6), size)
    padded = fft.next_fast_len(size, real=True)
    fall = numpy.sqrt(numpy.arange(padded // 2 + 1) + 1)
    pink = fft.irfft(fft.rfft(rng.normal(0, 1, padded)) / fall, padded)[:size]
    return white + 0.7 * min(channel.step, span / 1024) * pink / pink.std()


def converted(values, channel, bits, rng):
    """Codes before rounding: offset, gain, and a bow (integral non-linearity)."""
    top = 2 ** bits
    codes = (values - channel.lowest) / channel.step
    place = numpy.clip(codes / top, 0, 1)
    bow = rng.uniform(-2, 2) * max(1, top / 4096) * 4 * place * (1 - place)
    offset = rng.normal(0, 0.0004) * top
    return (codes * (1 + rng.normal(0, 0.002)) + bow + offset)


def hookup(case):
    machine = case.machine
    lines = ["[vehicle]", f"name = case {case.seed}", f"cylinders = {machine.cylinders}",
             f"system = {case.options.get('said_system', machine.system)}",
             f"ground = {case.ground_at}", ""]
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
    if sensor.wheel.replace("-", "").isdigit() and case.options.get("tell_wheel",
                                                                    case.seed % 3 == 0):
        lines.append(f"wheel = {sensor.wheel}")
    return lines


def texts(channel):
    """As the voltmeter of a program would print them: a tenth of a step, or finer."""
    decimals = int(numpy.clip(numpy.ceil(-numpy.log10(channel.step)) + 1, 2, 7))
    codes, back = numpy.unique(channel.codes, return_inverse=True)
    values = [f"{channel.lowest + code * channel.step:.{decimals}f}" for code in codes.tolist()]
    return [values[place] for place in back.tolist()]


def write(case, csv_path, hookup_path):
    columns = [[f"{time:.6f}" for time in case.machine.time]]
    columns += [texts(channel) for channel in case.channels]
    with open(csv_path, "w", encoding="ascii") as file:
        file.write(",".join(["time_s"] + [channel.name for channel in case.channels]) + "\n")
        file.write("\n".join(map(",".join, zip(*columns))) + "\n")
    with open(hookup_path, "w", encoding="ascii") as file:
        file.write(hookup(case))
