"""The certificate of a calibration as PDF: whose, by whom, how long it holds, every figure with its uncertainty, and how it was found."""

from datetime import datetime
from typing import Final

from api.reports.axes import TICK_SIZE, Frame, draw_edges, draw_ticks, widened
from api.reports.certificate_reading import Figure, FigureTable, Residuals, residuals_of, steps_of, tables_of
from api.reports.flow import Fact, Flow
from api.reports.grid import Cell, Lane
from api.reports.marks import marked
from api.reports.printed import NOTHING, counted, moment
from api.reports.sheet import BLUE, GREY, INK, INNER, MARGIN, MUTED, ORANGE, RIGHT, Sheet
from station.proof import Calibration

PLOT_HEIGHT: Final = 122.0
LABEL: Final = 137.0
UNIT: Final = 26.0
LIMITS: Final = 55.0
METHOD: Final = (
    "For each direction the finger sweeps slowly from home past full deflection and back, while the sampler reads the stick of the clamped "
    "unit. A straight rise between the level of rest and the level at the gate is fitted to the points: its ends are contact and full "
    "deflection. Repeated flicks give latency, slew, hold, release and their scatter. The sampler is held against a precision reference at "
    "several levels, its clock against the host's.",
    "U is the expanded uncertainty, the standard uncertainty multiplied by the coverage factor k = 2, which for a normal distribution "
    "covers about 95 % (JCGM 100:2008, 6.2 and 6.3). A figure is accepted when its value lies within its limits and U is small beside "
    "them; a figure that could not be told well enough is not accepted.",
)
NOT_ACCREDITED: Final = (
    "This is the station's own record. It is not an accredited certificate of calibration, and by itself establishes no traceability to "
    "national standards: that rests on the calibration of the reference the sampler was held against."
)
CAUTIONS: Final = (
    "Moving finger: pinch hazard. Guard closed and emergency stop within reach before it moves; supply off before hands go in.",
    "The software's stop is no safety function. Local workplace rules, the makers' instructions and qualified persons come first.",
)
EMULATED: Final = "EMULATED RIG: says nothing of a real one"


def certificate_pdf(calibration: Calibration, zone: str) -> bytes:
    """As many pages A4 as it takes. zone: of printed times."""
    title = f"Calibration {calibration.name}"
    made = moment(calibration.made_at, zone)
    foot = f"Restpoint · calibration {calibration.name} of rig {calibration.rig} ({calibration.rig_id}) · made {made}"
    sheet = Sheet(title, f"Rig {calibration.rig_id}", calibration.made_at, foot)
    flow = Flow(sheet, 84.0, lambda page: _head_again(page, calibration))
    _head(sheet, calibration, made)
    _standing(flow, calibration)
    flow.facts(_facts(calibration, zone), 92.0)
    for table in tables_of(calibration.document):
        _table(flow, table)
    _residuals(flow, residuals_of(calibration.document))
    _steps(flow, calibration, zone)
    _statements(flow)
    return sheet.bytes()


def _head(sheet: Sheet, calibration: Calibration, made: str) -> None:
    sheet.text(MARGIN, 54.0, "Calibration certificate", 11.0, True, MUTED)
    sheet.text(MARGIN, 74.0, calibration.name, 20.0, True, room=0.3 * INNER)
    sheet.text(RIGHT, 44.0, calibration.station, 11.0, True, align="right", room=0.6 * INNER)
    sheet.text(RIGHT, 55.0, f"made {made}", 8.0, colour=MUTED, align="right")
    sheet.line(MARGIN, 80.0, RIGHT, 80.0, INK, 0.8)


def _head_again(sheet: Sheet, calibration: Calibration) -> None:
    standing = "" if calibration.accepted else ": NOT ACCEPTED"
    sheet.text(MARGIN, 44.0, f"Calibration {calibration.name}{standing}", 9.0, True, MUTED, room=INNER)
    sheet.line(MARGIN, 49.0, RIGHT, 49.0, INK, 0.5)


def _standing(flow: Flow, calibration: Calibration) -> None:
    taken = marked(flow.sheet, "pass" if calibration.accepted else "fail", MARGIN, flow.y + 20.0, 18.0, True, _word(calibration))
    if calibration.emulated:
        flow.sheet.text(MARGIN + taken + 12.0, flow.y + 20.0, EMULATED, 9.0, True)
    flow.skip(30.0)
    for problem in calibration.problems:
        flow.paragraph(problem, indent=4.0)
    if calibration.problems:
        flow.paragraph("The calibration before it stays in force while it is valid.", colour=MUTED, indent=4.0)
        flow.skip(3.0)


def _word(calibration: Calibration) -> str:
    return "ACCEPTED" if calibration.accepted else "NOT ACCEPTED"


def _facts(calibration: Calibration, zone: str) -> list[Fact]:
    until = moment(calibration.valid_until, zone) if calibration.accepted else "never valid"
    flicks = counted(calibration.flicks_max, "flick") if calibration.accepted else "–"
    return [
        ("rig", f"{calibration.rig} ({calibration.rig_id})"),
        ("firmware", f"{calibration.firmware}; valid for it alone"),
        ("procedure", f"{calibration.procedure}"),
        ("made by", calibration.made_by or "not named"),
        ("valid until", until),
        ("or at most", flicks),
    ]


def _table(flow: Flow, table: FigureTable) -> None:
    flow.title(table.title.capitalize(), 60.0)
    columns = len(table.columns)
    room = INNER - LABEL - UNIT - LIMITS if columns > 1 else 150.0
    label = LABEL if columns > 1 else INNER - UNIT - LIMITS - room
    lanes = [Lane("Figure", label, right=False), Lane("Unit", UNIT, right=False), Lane("Limits", LIMITS, right=False)]
    lanes += [Lane(f"{name} ± U".strip() if name else "Value ± U (k = 2)", room / columns, right=False) for name in table.columns]
    flow.grid(lanes, [_row(label_of, figures) for label_of, figures in table.rows], 7.2)
    if columns > 1:
        flow.paragraph("U: expanded uncertainty, k = 2.", 7.0, MUTED)


def _row(label: str, figures: tuple[Figure | None, ...]) -> list[Cell | str]:
    known = [one for one in figures if one is not None]
    limits = list(dict.fromkeys(one.limits for one in known))
    alike = len(limits) < 2
    return [label, known[0].unit, "".join(limits) if alike else "in brackets", *(_cell(one, alike) for one in figures)]


def _cell(one: Figure | None, alike: bool) -> Cell:
    """A figure outside its limits carries a shape and the word. alike: the limits stand in their own column."""
    if one is None:
        return Cell("")
    shown = (NOTHING if one.value == NOTHING else f"{one.value} ± {one.expanded}") + ("" if alike or not one.limits else f" ({one.limits})")
    return Cell(f"{shown} out", bold=True, shape="fail") if one.within is False else Cell(shown)


def _residuals(flow: Flow, found: list[Residuals]) -> None:
    if not found:
        return
    flow.title("Residuals of the fitted map", (PLOT_HEIGHT + 6.0) * min(4, (len(found) + 1) // 2))
    width = (INNER - 14.0) / 2.0
    largest = max(abs(value) for one in found for value in one.residual)
    for index, one in enumerate(found):
        if index % 2 == 0:
            flow.require(PLOT_HEIGHT)
        _plot(flow.sheet, one, largest, MARGIN + (index % 2) * (width + 14.0), flow.y, width)
        if index % 2 == 1 or index == len(found) - 1:
            flow.skip(PLOT_HEIGHT + 6.0)
    flow.paragraph("Measured less fitted, % of full deflection, against the ordered angle; the same scale for all.", 7.0, MUTED)


def _plot(sheet: Sheet, one: Residuals, largest: float, x: float, y: float, width: float) -> None:
    left, right = widened(min(one.angle_deg), max(one.angle_deg))
    bottom, top = widened(-100.0 * largest or -1.0, 100.0 * largest or 1.0)
    sheet.text(x + 26.0, y + 7.0, one.place, 8.5, True)
    frame = Frame(x + 26.0, y + 12.0, width - 26.0, PLOT_HEIGHT - 34.0, left, right, bottom, top)
    draw_ticks(sheet, frame, 4, 6)
    sheet.line(frame.x, frame.down(0.0), frame.x + frame.width, frame.down(0.0), GREY, 0.8)
    fill = ORANGE if one.place.startswith("y") else BLUE
    for angle, value in zip(one.angle_deg, one.residual, strict=True):
        sheet.dot(frame.across(angle), frame.down(100.0 * value), 1.4, fill, INK if fill == ORANGE else "")
    draw_edges(sheet, frame)
    sheet.text(frame.x + frame.width / 2.0, y + PLOT_HEIGHT - 2.0, "degrees", TICK_SIZE, colour=MUTED, align="centre")
    sheet.upright(x + 5.0, frame.y + frame.height / 2.0, "% of full", TICK_SIZE)


def _steps(flow: Flow, calibration: Calibration, zone: str) -> None:
    steps = steps_of(calibration.document)
    if steps:
        people = list(dict.fromkeys(by for _, by, _ in steps if by))
        begun, ended = (_local(steps[end][2], zone) for end in (0, -1))
        told = f"{counted(len(steps), 'step')} from {begun} to {ended}, done by {', '.join(people) or 'persons not named'}."
        flow.title("Carried out", 20.0)
        flow.paragraph(told, 8.0)


def _local(at: str, zone: str) -> str:
    """A kept time in the zone; as it is when it is none."""
    try:
        return moment(datetime.fromisoformat(at), zone)
    except ValueError:
        return at


def _statements(flow: Flow) -> None:
    flow.title("Method", 60.0)
    for sentence in METHOD:
        flow.paragraph(sentence, 8.0)
    flow.skip(4.0)
    flow.require(70.0)
    flow.paragraph(NOT_ACCREDITED, 8.0, bold=True)
    flow.skip(4.0)
    for caution in CAUTIONS:
        flow.paragraph(caution, 7.5, MUTED)
