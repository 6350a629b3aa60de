# SPDX-License-Identifier: Apache-2.0
"""front_end.py - the reference front end of docs/wiring.md: its parts, and what follows from them
by Ohm's law. wiring_page.py writes the tables and drawings from it; wiring_test.py solves the
same networks node by node and compares."""
from dataclasses import dataclass
from math import pi

BOARD_V = 5.0  # the board's range and its supply: 0 to 5 V
CLAMP_V = BOARD_V + 0.3  # where a Schottky diode to the supply holds the input


@dataclass(frozen=True)
class Leg:
    """A lead through `series` to the board's input, which hangs by `shunt` on `bias_v`."""
    name: str
    series: float  # ohms, all resistors between lead and input
    shunt: float  # ohms, from the input to the bias
    bias_v: float = 0.0
    capacitor: float = 0.0  # farads at the input

    @property
    def divider(self):
        """Volts at the lead a volt at the input."""
        return (self.series + self.shunt) / self.shunt

    @property
    def offset(self):
        """lead = input x divider + offset"""
        return 0.0 - self.bias_v * self.series / self.shunt

    def at_input(self, lead_v):
        return (lead_v - self.offset) / self.divider

    @property
    def range_v(self):
        """What the lead may be while the input is between 0 V and the board's top."""
        return self.offset, BOARD_V * self.divider + self.offset

    @property
    def input_ohms(self):
        return self.series + self.shunt

    @property
    def source_ohms(self):
        """What the converter looks into."""
        return self.series * self.shunt / (self.series + self.shunt)

    @property
    def delay_s(self):
        return self.source_ohms * self.capacitor

    @property
    def corner_hz(self):
        return 1 / (2 * pi * self.delay_s) if self.capacitor else None

    def clamp_current(self, lead_v):
        """Into the diode to the supply when the lead stands at lead_v; 0 below it."""
        wanted = self.at_input(lead_v) - CLAMP_V
        return max(0.0, wanted / self.source_ohms)


LEGS = (
    Leg("battery, 12 V system", 47e3, 10e3, capacitor=10e-9),
    Leg("battery, 24 V system", 82e3, 10e3, capacitor=10e-9),
    Leg("feed, signal", 10e3 + 1e6, 1e6, capacitor=10e-12),
    Leg("return", 10e3, 47e3, bias_v=5.0, capacitor=10e-9),
    Leg("inductive, each leg", 100e3, 10e3, bias_v=2.5, capacitor=1e-9),
)
# Suppressed load dump, ISO 16750-2 test B: 35 V in 12 V systems, 58 V in 24 V systems.
LOAD_DUMP_V = {leg.name: 58.0 if "24 V" in leg.name else 35.0 for leg in LEGS}

PULL_UPS = (1e3, 2.2e3, 4.7e3, 10e3)
INPUTS = (57e3, 200e3, 1e6, 2.01e6)


def loaded(pull_up_ohms, input_ohms, volts=5.0):
    """What an idle signal reads when its pull-up also feeds the input."""
    return volts * input_ohms / (pull_up_ohms + input_ohms)
