"""All pages in one router."""

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from api.pages import advice, definitions, ledger, lots, prove, prove_outcomes, reference, rework, rigs, runs, sign_in, today, units, yields

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
for part in (today, rigs, runs, units, advice, ledger, lots, rework, prove, prove_outcomes, definitions, reference, sign_in, yields):
    router.include_router(part.router)
