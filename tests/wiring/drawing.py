# SPDX-License-Identifier: Apache-2.0
"""drawing.py - plain circuit drawings as SVG: wires, resistors, capacitors, labels. Readable in
light and dark, for it asks the viewer which it is."""
from xml.sax.saxutils import escape

STYLE = """<style>
  .l { stroke: #1b1f24; stroke-width: 1.6; fill: none }
  .d { fill: #1b1f24; stroke: none }
  .b { stroke: #1b1f24; stroke-width: 1.6; fill: none; stroke-dasharray: 5 4 }
  text { font: 14px sans-serif; fill: #1b1f24 }
  @media (prefers-color-scheme: dark) {
    .l, .b { stroke: #e6e8eb } .d, text { fill: #e6e8eb }
  }
</style>"""


class Drawing:
    def __init__(self, width, height, title):
        self.size, self.title, self.parts = (width, height), title, []

    def wire(self, *points):
        self.parts.append('<polyline class="l" points="%s"/>'
                          % " ".join(f"{x},{y}" for x, y in points))

    def dot(self, x, y):
        self.parts.append(f'<circle class="d" cx="{x}" cy="{y}" r="3.5"/>')

    def end(self, x, y):
        self.parts.append(f'<circle class="l" cx="{x}" cy="{y}" r="4.5"/>')

    def text(self, x, y, text, anchor="start"):
        self.parts.append(f'<text x="{x}" y="{y}" text-anchor="{anchor}">{escape(text)}</text>')

    def across(self, x, y, label, length=100):
        """A resistor from (x, y) to the right; returns its end."""
        side = (length - 44) / 2
        self.wire((x, y), (x + side, y))
        self.parts.append(f'<rect class="l" x="{x + side}" y="{y - 8}" width="44" height="16"/>')
        self.wire((x + side + 44, y), (x + length, y))
        self.text(x + length / 2, y - 14, label, "middle")
        return x + length

    def down(self, x, y, label, length=90):
        """A resistor from (x, y) downwards; returns its end."""
        side = (length - 44) / 2
        self.wire((x, y), (x, y + side))
        self.parts.append(f'<rect class="l" x="{x - 8}" y="{y + side}" width="16" height="44"/>')
        self.wire((x, y + side + 44), (x, y + length))
        self.text(x + 14, y + length / 2 + 5, label)
        return y + length

    def capacitor(self, x, y, label, length=90):
        middle = y + length / 2
        self.wire((x, y), (x, middle - 4))
        self.wire((x - 12, middle - 4), (x + 12, middle - 4))
        self.wire((x - 12, middle + 4), (x + 12, middle + 4))
        self.wire((x, middle + 4), (x, y + length))
        self.text(x + 17, middle + 5, label)
        return y + length

    def diode(self, x, y, length):
        """A Schottky diode that lets current upwards, from (x, y) to `length` above it."""
        middle = y - length / 2
        self.wire((x, y), (x, y - length))
        self.parts.append(f'<polygon class="d" points="{x - 9},{middle + 8} {x + 9},{middle + 8} '
                          f'{x},{middle - 8}"/>')
        self.wire((x - 9, middle - 8), (x + 9, middle - 8))

    def buffer(self, x, y):
        """A follower; returns the end of its output."""
        self.wire((x, y), (x, y - 26), (x + 52, y), (x, y + 26), (x, y))
        self.text(x + 9, y + 5, "x 1")
        return x + 52

    def ground(self, x, y):
        for i, half in enumerate((13, 8, 3)):
            self.wire((x - half, y + 5 * i), (x + half, y + 5 * i))

    def svg(self):
        width, height = self.size
        return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
                f'width="{width}" height="{height}" role="img">\n'
                f"<title>{escape(self.title)}</title>\n{STYLE}\n" + "\n".join(self.parts)
                + "\n</svg>\n")


def kilo(ohms):
    return f"{ohms / 1e6:g} MΩ" if ohms >= 1e6 else f"{ohms / 1e3:g} kΩ"


def farads(value):
    for unit, factor in (("nF", 1e-9), ("pF", 1e-12)):
        if value >= factor:
            return f"{round(value / factor, 3):g} {unit}"
    return ""


def divider(leg, title):
    """Series resistor at the lead's end, shunt and capacitor at the board."""
    d = Drawing(690, 205, title)
    y, foot = 90, 180
    d.end(115, y)
    d.text(105, y + 5, "battery +", "end")
    x = d.across(119, y, "fuse 1 A", 90)
    x = d.across(x, y, kilo(leg.series), 110)
    d.dot(x + 20, y)
    d.wire((x, y), (x + 215, y))
    d.down(x + 20, y, kilo(leg.shunt))
    d.dot(x + 115, y)
    d.capacitor(x + 115, y, farads(leg.capacitor))
    d.end(x + 219, y)
    d.text(x + 230, y + 5, "input")
    d.wire((115, foot), (x + 215, foot))
    d.end(111, foot)
    d.text(101, foot + 5, "battery −", "end")
    for at in (x + 20, x + 115):
        d.dot(at, foot)
    d.end(x + 219, foot)
    d.text(x + 230, foot + 5, "board ground")
    d.text(20, 28, f"fuse at the post, {kilo(leg.series)} near it: "
                   "the lead behind it cannot feed a fire")
    return d


def sensor(leg):
    """The tip's resistor, the divider and a follower."""
    d = Drawing(690, 205, "Feed or signal")
    y, foot = 90, 180
    tip = 10e3
    d.end(95, y)
    d.text(85, y + 5, "probe", "end")
    x = d.across(99, y, kilo(tip), 90)
    d.wire((x, y), (x + 60, y))
    d.text(x + 30, y + 20, "lead", "middle")
    x = d.across(x + 60, y, kilo(leg.series - tip), 110)
    d.dot(x + 10, y)
    d.wire((x, y), (x + 110, y))
    d.down(x + 10, y, kilo(leg.shunt))
    d.ground(x + 10, foot)
    d.text(20, 28, f"{kilo(tip)} at the probe's tip, the rest at the board; "
                   "rail-to-rail follower on the board's 5 V")
    out = d.buffer(x + 110, y)
    d.wire((out, y), (out + 50, y))
    d.end(out + 54, y)
    d.text(out + 64, y + 5, "input")
    return d


def biased(leg, title, label, bias):
    """A shunt that hangs on a voltage, so that below 0 V is still above the input's 0 V."""
    d = Drawing(600, 235, title)
    y = 120
    d.end(95, y)
    d.text(85, y + 5, label, "end")
    x = d.across(99, y, kilo(leg.series), 120)
    d.dot(x + 20, y)
    d.wire((x, y), (x + 250, y))
    d.down(x + 20, y - 90, kilo(leg.shunt))
    d.end(x + 20, y - 95)
    d.text(x + 34, y - 91, bias)
    d.dot(x + 120, y)
    d.capacitor(x + 120, y, farads(leg.capacitor))
    d.ground(x + 120, y + 90)
    d.dot(x + 190, y)
    d.diode(x + 190, y, 90)
    d.end(x + 190, y - 95)
    d.text(x + 204, y - 91, "5 V")
    d.diode(x + 190, y + 90, 90)
    d.ground(x + 190, y + 90)
    d.end(x + 254, y)
    d.text(x + 265, y + 5, "input")
    return d
