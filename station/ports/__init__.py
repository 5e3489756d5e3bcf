"""What the service needs from outside: a rig, a place for results, a clock. Nothing more."""

from station.ports.clock import Clock
from station.ports.results import ResultSink
from station.ports.rig import Command, Done, Flick, Jog, Lamp, LampColour, Level, ReadLevel, ReadSupply, Reset, Rig, Sample, Unclamp

__all__ = [
    "Clock",
    "Command",
    "Done",
    "Flick",
    "Jog",
    "Lamp",
    "LampColour",
    "Level",
    "ReadLevel",
    "ReadSupply",
    "Reset",
    "ResultSink",
    "Rig",
    "Sample",
    "Unclamp",
]
