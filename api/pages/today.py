"""Today at a glance: counts by verdict, what each rig is doing, the newest runs."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response

from api.http.depends import TheDesk, TheQueries, TheSettings
from api.pages.render import page
from api.pages.words import reason_shown
from station.ports.proof import ProofDesk

router = APIRouter()
NEWEST = 10
REASONS_SHOWN = 6
BANNERS_SHOWN = 5


def start_of_day(now: datetime, zone: ZoneInfo) -> datetime:
    """Midnight of the zone's day that `now` falls into, in UTC."""
    return now.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0).astimezone(UTC)


@router.get("/")
def today(request: Request, desk: TheDesk, queries: TheQueries, settings: TheSettings) -> Response:
    """The first page."""
    counts = queries.counts_since(start_of_day(datetime.now(UTC), settings.zone_info))
    tallies = [
        ("Real rigs", counts.real, counts.reasons),
        ("Emulated rigs (not counted as yield)", counts.emulated, counts.emulated_reasons),
    ]
    shown = [
        (name, one, [(reason_shown(reason), runs) for reason, runs in reasons[:REASONS_SHOWN]])
        for name, one, reasons in tallies
        if one.runs or any(rig.emulated == (one is counts.emulated) for rig in desk.rigs())
    ]
    proof: ProofDesk | None = request.app.state.proof
    banners = list(proof.banners())[:BANNERS_SHOWN] if proof else []
    shown_runs = queries.runs(limit=NEWEST).items
    return page(request, "today.html", tallies=shown, rigs=desk.rigs(), alarms=desk.alarms(), runs=shown_runs, banners=banners)
