# SPDX-License-Identifier: Apache-2.0
"""plot.py - lines over two logarithmic axes, as SVG."""
import math

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 720, 330, 70, 190, 34, 50
STROKES = ["", "7 4", "2 4", "10 4 2 4", "1 2"]


def number(value):
    """1000000 as 1M; small ones as they are."""
    for size, letter in ((1e6, "M"), (1e3, "k")):
        if value >= size:
            return f"{value / size:g}{letter}"
    return f"{value:g}"


def decades(values):
    low, high = math.floor(math.log10(min(values))), math.ceil(math.log10(max(values)))
    return low, max(high, low + 1)


def text(x, y, words, anchor="middle", more=""):
    words = words.replace("&", "&amp;").replace("<", "&lt;")
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{more}>{words}</text>'


def log_log(title, x_label, y_label, lines, marks=None):
    """lines: {name: [(x, y)]}; marks: {x: what stands at the axis there}, else powers of ten."""
    xs = [x for points in lines.values() for x, _ in points]
    ys = [y for points in lines.values() for _, y in points]
    (x_low, x_high), (y_low, y_high) = decades(xs), decades(ys)
    if marks:
        x_low, x_high = math.log10(min(xs)) - 0.1, math.log10(max(xs)) + 0.1

    def across(x):
        return LEFT + (math.log10(x) - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT)

    def down(y):
        return HEIGHT - BOTTOM - (math.log10(y) - y_low) / (y_high - y_low) * (HEIGHT - TOP - BOTTOM)

    marks = marks or {10.0 ** n: number(10.0 ** n) for n in range(x_low, x_high + 1)}
    out = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
           'font-family="sans-serif" font-size="12">',
           f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
           text(LEFT, 20, title, "start", ' font-size="14"')]
    for n in range(y_low, y_high + 1):
        y = down(10.0 ** n)
        out += [f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="#ccc"/>',
                text(LEFT - 6, y + 4, number(10.0 ** n), "end")]
    for x, words in marks.items():
        out += [f'<path d="M{across(x):.1f} {TOP}V{HEIGHT - BOTTOM}" stroke="#eee"/>',
                text(across(x), HEIGHT - BOTTOM + 16, words)]
    ends = []
    for (name, points), stroke in zip(lines.items(), STROKES):
        path = "L".join(f"{across(x):.1f} {down(y):.1f}" for x, y in points)
        out.append(f'<path d="M{path}" fill="none" stroke="black" stroke-width="1.5" '
                   f'stroke-dasharray="{stroke}"/>')
        out += [f'<circle cx="{across(x):.1f}" cy="{down(y):.1f}" r="2.5"/>' for x, y in points]
        ends.append((down(points[-1][1]), across(points[-1][0]), name))
    lowest = TOP
    for y, x, name in sorted(ends):  # names never stand upon each other
        lowest = max(y + 4, lowest + 14)
        out.append(text(x + 8, lowest, name, "start"))
    out += [text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 12, x_label),
            text(16, (TOP + HEIGHT - BOTTOM) / 2, y_label, "middle",
                 f' transform="rotate(-90 16 {(TOP + HEIGHT - BOTTOM) / 2:.0f})"'), "</svg>"]
    return "\n".join(out) + "\n"
