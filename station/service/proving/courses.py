"""The table of courses: one line per kind of procedure."""

from collections.abc import Mapping

from station.ports.proof import ProofBook
from station.proof import Kind
from station.prove.calibration_limits import CalibrationLimits
from station.service.proving.calibrating import CalibrationCourse
from station.service.proving.course import Course
from station.service.proving.reference_course import ReferenceCheckCourse, ReferenceValuesCourse
from station.service.proving.study_course import GaugeStudyCourse
from station.service.proving.type1_course import Type1Course


def all_courses(limits: CalibrationLimits, book: ProofBook) -> Mapping[Kind, Course]:
    """limits: within which a calibration is accepted. book: where the reference units of a rig stand."""
    return {
        Kind.CALIBRATION: CalibrationCourse(limits),
        Kind.REFERENCE_VALUES: ReferenceValuesCourse(),
        Kind.REFERENCE_CHECK: ReferenceCheckCourse(book.reference_units),
        Kind.GAUGE_STUDY: GaugeStudyCourse(),
        Kind.TYPE_1_STUDY: Type1Course(book.reference_units),
    }
