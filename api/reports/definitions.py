"""What the figures of a yield report mean, in the words of station.yields."""

from typing import Final

YIELD: Final = (
    ("first-pass yield", "Units that passed at their first decided run, of all units with a decided run."),
    ("final yield", "Units whose newest decided run passed, of the same units."),
    ("rolled yield", "Product of the first-pass shares of all groups, a group counting as a step."),
    ("interval", "Two-sided 95 % confidence interval of the share or index behind it."),
    ("decided", "A run that ended with pass or fail. Undecided and invalid runs are counted apart and are never yield."),
    ("undecided", "The evidence does not reach the stated risks: neither passed nor failed."),
    ("invalid", "The recording or the rig is at fault. Nothing is said of the unit."),
    ("emulated", "Runs of emulated rigs are counted apart and never mixed with real ones."),
    ("retest", "A decided run of a unit after its first."),
    ("scrapped", "Units given up in rework."),
    ("cause", "A reason named by a failed run, with its group or axis. One run can name several; shares are of all mentions."),
    ("Cpk", "Distance from the mean to the nearer limit in units of three standard deviations; meaningful for a steady process."),
)
