# SPDX-License-Identifier: Apache-2.0
"""Every kind of case by its name."""
import faults
import faults_power
import faults_signal
import healthy
import leads
import sweeps

FAULTS = {
    "feed-collapse": faults.FeedCollapse, "feed-off-level": faults.FeedOffLevel,
    "return-rise": faults.ReturnRise, "return-open": faults.ReturnOpen,
    "ground-rise": faults.GroundRise, "supply-collapse": faults_power.SupplyCollapse,
    "crank-voltage-low": faults_power.CrankVoltageLow,
    "feed-follows-battery": faults_power.FeedFollowsBattery,
    "slow-crank": faults_power.SlowCrank, "no-rotation": faults_power.NoRotation,
    "signal-lost": faults_signal.SignalLost, "signal-gaps": faults_signal.SignalGaps,
    "signal-weak": faults_signal.SignalWeak, "signal-noise": faults_signal.SignalNoise,
    "out-of-step": faults_signal.OutOfStep, "no-command": faults_signal.NoCommand,
    "lead-suspect": leads.LeadSuspect,
}
KINDS = FAULTS | healthy.KINDS


def worker_of(name):
    """The worker of a kind, or of a sweep with its sizes: `feed-dip:0.5:0.01`."""
    if ":" in name:
        kind, *sizes = name.split(":")
        return sweeps.KINDS[kind](*sizes)
    return KINDS[name]()
