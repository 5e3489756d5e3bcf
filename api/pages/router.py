"""All pages in one router."""

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from api.pages import advice, definitions, ledger, lots, reference, rework, rigs, runs, sign_in, today, units

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
for part in (today, rigs, runs, units, advice, ledger, lots, rework, definitions, reference, sign_in):
    router.include_router(part.router)
