"""The demo's rigs are calibrated before the shift: really, step by step, on a twin of each in virtual time, and kept in the station's book.

A rig process runs in real time, where a calibration takes over two minutes. Its twin has the same seed, settings and laws, speaks the same
bytes to the same driver, and takes two seconds.
"""

from datetime import datetime, timedelta
from typing import Final

from rigs.emulated.settings import RigSettings
from rigs.emulated.twin import twin
from station.ports.proof import ProofBook
from station.proof import Calibration, Kind
from station.prove.calibration_limits import CalibrationLimits
from station.service.proving.calibrating import CalibrationCourse
from station.service.proving.calibrating_whole import opening_of, perform_all
from station.service.proving.course import STREAM_BASE, Concluding, ProofBench

LASTS_S: Final = 150.0  # rig time of a calibration, with room: its steps then lie before the time it is made at
OPERATOR: Final = "demo"


def calibrate_emulated(
    book: ProofBook, station: str, rig: str, rig_id: str, seed: int, at: datetime, limits: CalibrationLimits | None = None
) -> Calibration:
    """A calibration in force of the emulated rig that `rig-emulator --rig-id RIG_ID --seed SEED` is: the one there is, else a new one.

    rig: its name at the station. at: now. Raises Busy when a procedure of the rig is open, StoreError; UsageError when the twin's
    calibration cannot be concluded.
    """
    made = twin(rig, seed, RigSettings(rig_id=rig_id), at - timedelta(seconds=LASTS_S))
    found = book.calibration_in_force(made.identity.rig_id, True)
    if found is not None and found.firmware == made.identity.firmware and at < found.valid_until:
        return found
    course = CalibrationCourse(limits)
    bench = ProofBench(made.driver, made.clock, made.identity, STREAM_BASE, lambda product: None, lambda serial: {}, _unseen)
    opening = opening_of(course, bench, Kind.CALIBRATION, {}, station, OPERATOR)
    number = book.begin_procedure(opening)
    procedure = perform_all(course, bench, opening, number, lambda result: book.keep_step(number, result))
    made.driver.close()
    kept = book.conclude(number, course.conclude(procedure, Concluding(at, "", (), lambda product: None)), at)
    if not isinstance(kept, Calibration):
        raise TypeError(f"procedure {number} is a calibration; the book gave back {kept!r}")
    return kept


def _unseen(_sentence: str) -> None:
    """Nobody watches."""
