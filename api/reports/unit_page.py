"""The unit report as PDF: who it is, its runs, what the newest one found with its traces, and the advice in short."""

from collections.abc import Sequence
from typing import Final

from api.reports.flow import Fact, Flow
from api.reports.fonts import printable, width_of
from api.reports.grid import GAP, SHAPE, SIZE, Cell, Lane
from api.reports.marks import marked
from api.reports.printed import counted, moment
from api.reports.sheet import INK, INNER, MARGIN, MUTED, RIGHT, Sheet
from api.reports.traces import draw_flicks, draw_recording
from api.reports.words import FigureCell, FigureRow, GroupLine, NewestRun, RunLine, StickReport, UnitReport

RUNS_MOST: Final = 12
RECORDING_HEIGHT: Final = 114.0
FLICKS_HEIGHT: Final = 114.0
RUN_LANES: Final = (
    Lane("Run", 34.0),
    Lane("Started", 86.0, right=False),
    Lane("Verdict", 54.0, right=False),
    Lane("Reasons", 172.0, right=False),
    Lane("Specification", 70.0, right=False),
    Lane("Rig", 50.0, right=False),
    Lane("Operator", 49.28, right=False),
)
LABEL: Final = 60.0
UNIT: Final = 29.0
LIMIT: Final = 84.0
SERIAL: Final = 20.0
SERIAL_ROOM: Final = 0.62 * INNER
SHAPES: Final = {"broken": "fail", "fail": "fail"}  # of how a figure stands; anything else that calls is a matter of doubt


def unit_pdf(report: UnitReport) -> bytes:
    """As many pages A4 as it takes."""
    title = f"Unit {report.serial}"
    foot = f"Restpoint · unit {report.serial} · {report.station} · made {moment(report.made_at, report.zone)}"
    sheet = Sheet(title, f"{report.product}, lot {report.lot or 'not known'}", report.made_at, foot)
    flow = Flow(sheet, 84.0, lambda page: _head_again(page, title))
    _head(sheet, report)
    _identity(flow, report)
    if report.newest is not None:
        _newest(flow, report, report.newest)
    _runs(flow, report)
    return sheet.bytes()


def _head(sheet: Sheet, report: UnitReport) -> None:
    sheet.text(MARGIN, 54.0, "Unit report", 11.0, True, MUTED)
    sheet.text(MARGIN, 74.0, report.serial, SERIAL, True, room=SERIAL_ROOM)
    sheet.text(RIGHT, 44.0, report.station, 11.0, True, align="right", room=0.5 * INNER)
    sheet.text(RIGHT, 55.0, f"made {moment(report.made_at, report.zone)}", 8.0, colour=MUTED, align="right")
    sheet.line(MARGIN, 80.0, RIGHT, 80.0, INK, 0.8)


def _head_again(sheet: Sheet, title: str) -> None:
    sheet.text(MARGIN, 44.0, title, 9.0, True, MUTED, room=INNER)
    sheet.line(MARGIN, 49.0, RIGHT, 49.0, INK, 0.5)


def _identity(flow: Flow, report: UnitReport) -> None:
    flow.skip(4.0)
    if width_of(printable(report.serial), SERIAL, True) > SERIAL_ROOM:
        flow.paragraph(f"serial number in full: {report.serial}", 8.0)
    flow.facts(
        [
            ("product", report.product),
            ("stick lot", report.lot or "not known"),
            ("first seen", moment(report.first_seen_at, report.zone)),
            ("runs", f"{len(report.runs)}"),
        ]
    )


def _newest(flow: Flow, report: UnitReport, newest: NewestRun) -> None:
    run = newest.run
    flow.title(f"Newest run: {run.number}", 90.0)
    taken = marked(flow.sheet, run.verdict, MARGIN, flow.y + 16.0, 18.0, loud=True)
    if run.emulated:
        flow.sheet.text(MARGIN + taken + 12.0, flow.y + 16.0, "EMULATED RIG: says nothing of a real unit", 9.0, True)
    flow.skip(26.0)
    for reason in newest.reasons:
        flow.paragraph(f"{reason.sentence} [{reason.code}]", indent=4.0)
    if newest.explanation:
        flow.paragraph(newest.explanation, colour=MUTED, indent=4.0)
    flow.skip(3.0)
    flow.facts(_facts(report, newest))
    for stick in newest.sticks:
        _stick(flow, stick, named=len(newest.sticks) > 1)
    _advice(flow, report)


def _facts(report: UnitReport, newest: NewestRun) -> list[Fact]:
    run = newest.run
    fitted = ", ".join(f"{place} {value}" for place, value in newest.fitted.items())
    return [
        ("started", moment(run.started_at, report.zone)),
        ("specification", run.specification),
        ("calibration", newest.calibration or "none: the run had no valid one"),
        ("fitted", fitted or "not known"),
        ("rig", f"{run.rig} ({newest.rig_id})"),
        ("firmware", newest.firmware),
        ("software", newest.software),
        ("operator", run.operator or "not named"),
    ]


def _stick(flow: Flow, stick: StickReport, named: bool) -> None:
    if named:
        flow.title(f"Stick {stick.stick}: {stick.verdict or 'open'}", 60.0)
    if stick.groups:
        _groups(flow, stick)
    if stick.axis_rows:
        flow.skip(3.0)
        _figures(flow, "Rest and noise", stick.axis_rows, _columns(stick.axis_rows))
    if stick.trace is not None:
        _recording(flow, stick)
    if stick.flicks:
        _flicks(flow, stick)


def _columns(rows: Sequence[FigureRow]) -> list[str]:
    """Groups or axes that any row has a cell for, in their order."""
    return sorted({name for row in rows for name in row.cells})


def _groups(flow: Flow, stick: StickReport) -> None:
    names = [group.group for group in stick.groups]
    lanes = _lanes(names)
    verdicts: list[list[Cell | str]] = [
        ["Verdict", "", "", *(Cell(group.verdict, verdict=True) for group in stick.groups)],
        ["Flicks used", "", "of those made", *(_used(group) for group in stick.groups)],
    ]
    flow.title("Groups", 80.0)
    flow.grid(lanes, [*verdicts, *(_figure_row(row, names) for row in stick.group_rows)])
    _cut_short(flow, stick.group_rows, lanes)
    flow.paragraph("± expanded uncertainty, k = 2. A limit is broken when exceeded by more than it, in doubt within it.", 7.0, MUTED)


def _lanes(names: Sequence[str]) -> list[Lane]:
    room = INNER - LABEL - UNIT - LIMIT
    cells = [Lane(name, room / max(1, len(names)), right=False) for name in names]
    return [Lane("Figure", LABEL, right=False), Lane("Unit", UNIT, right=False), Lane("Limit", LIMIT, right=False), *cells]


def _used(group: GroupLine) -> str:
    return f"{group.flicks_used} of {group.flicks}"


def _figures(flow: Flow, title: str, rows: Sequence[FigureRow], names: Sequence[str]) -> None:
    flow.title(title, 30.0)
    lanes = _lanes(names)
    flow.grid(lanes, [_figure_row(row, names) for row in rows])
    _cut_short(flow, rows, lanes)


def _cut_short(flow: Flow, rows: Sequence[FigureRow], lanes: Sequence[Lane]) -> None:
    """What did not find room in the table, in full."""
    room = lanes[-1].width - 2 * GAP
    for row in rows:
        if width_of(printable(row.limit), SIZE, False) > LIMIT - 2 * GAP:
            flow.paragraph(f"{row.label}: {row.limit}.", 7.0, MUTED)
        for name, figure in row.cells.items():
            cell = _cell(figure)
            if width_of(printable(cell.text), SIZE, cell.bold) > room - (SHAPE if cell.shape else 0.0):
                flow.paragraph(f"{row.label}, {name}: {cell.text} {row.unit}".rstrip(), 7.0)


def _figure_row(row: FigureRow, names: Sequence[str]) -> list[Cell | str]:
    return [row.label, row.unit, row.limit, *(_cell(row.cells.get(name)) for name in names)]


def _cell(cell: FigureCell | None) -> Cell:
    """A figure that calls a person carries a shape and the word of how it stands."""
    if cell is None:
        return Cell("")
    shown = " ".join(filter(None, (cell.value, cell.uncertainty)))
    if not cell.calls:
        return Cell(shown)
    return Cell(f"{shown} {cell.standing}", bold=True, shape=SHAPES.get(cell.standing, "undecided"))


def _recording(flow: Flow, stick: StickReport) -> None:
    if stick.trace is None:
        return
    flow.title("Recording", RECORDING_HEIGHT)
    draw_recording(flow.sheet, stick.trace, stick.zone_counts, (MARGIN, flow.y, INNER, RECORDING_HEIGHT))
    flow.skip(RECORDING_HEIGHT + 4.0)


def _flicks(flow: Flow, stick: StickReport) -> None:
    names = sorted({flick.group for flick in stick.flicks})
    flow.title("Flicks over each other", FLICKS_HEIGHT)
    width = (INNER - 14.0) / 2.0
    for index, group in enumerate(names):
        if index % 2 == 0:
            flow.require(FLICKS_HEIGHT)
        x = MARGIN + (index % 2) * (width + 14.0)
        draw_flicks(flow.sheet, group, stick.flicks, stick.zone_counts, (x, flow.y, width, FLICKS_HEIGHT))
        if index % 2 == 1 or index == len(names) - 1:
            flow.skip(FLICKS_HEIGHT + 6.0)


def _advice(flow: Flow, report: UnitReport) -> None:
    if not report.advice:
        return
    flow.title("Advice", 40.0)
    for one in report.advice:
        flow.paragraph(f"{one.stick} {one.axis}: {one.recommended}", bold=True)
        flow.paragraph(f"fitted now: {one.fitted}; {one.reason}", 8.0, indent=8.0)
    flow.skip(2.0)
    for caution in report.cautions:
        flow.paragraph(caution, 7.5, MUTED)
    flow.skip(4.0)


def _runs(flow: Flow, report: UnitReport) -> None:
    flow.title("Runs, newest first", 40.0)
    if not report.runs:
        flow.paragraph("The unit was never tested.", colour=MUTED)
        return
    flow.grid(RUN_LANES, [_run_row(run, report.zone) for run in report.runs[:RUNS_MOST]])
    more = len(report.runs) - RUNS_MOST
    if more > 0:
        flow.paragraph(f"{counted(more, 'older run')} not shown.", 7.5, MUTED)


def _run_row(run: RunLine, zone: str) -> list[Cell | str]:
    started = moment(run.started_at, zone).removesuffix(f" {zone}")
    rig = f"{run.rig}, emulated" if run.emulated else run.rig
    return [f"{run.number}", started, Cell(run.verdict, verdict=True), ", ".join(run.reasons), run.specification, rig, run.operator]
