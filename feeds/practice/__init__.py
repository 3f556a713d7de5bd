"""The practice feed: an invented circuit, a simulated GT-class car, and a driver whose faults can be set."""

from feeds.practice.car import PracticeCar
from feeds.practice.circuit import Circuit, Kerb, circuit_from_centre_line
from feeds.practice.corner_places import Places
from feeds.practice.driver import applies
from feeds.practice.faultless import Faultless, faultless
from feeds.practice.faults import ODD_UNITS, SAME, UNITS, FaultPlan, Habit, Scatter
from feeds.practice.hollow_ridge import hollow_ridge
from feeds.practice.sampling import Noise
from feeds.practice.simulate import FaultTruth, SimRun, simulate

__all__ = [
    "ODD_UNITS",
    "SAME",
    "UNITS",
    "Circuit",
    "FaultPlan",
    "FaultTruth",
    "Faultless",
    "Habit",
    "Kerb",
    "Noise",
    "Places",
    "PracticeCar",
    "Scatter",
    "SimRun",
    "applies",
    "circuit_from_centre_line",
    "faultless",
    "hollow_ridge",
    "simulate",
]
