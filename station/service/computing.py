"""The seam between a run and our own computations: whatever they raise ends the run as `invalid: scorer` and nothing else."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager

from station.errors import RestpointError, ScorerFailed

log = logging.getLogger(__name__)


@contextmanager
def computing(stick: str) -> Iterator[None]:
    """Whatever a computation on samples raises becomes ScorerFailed: the trace must be kept, the unit not blamed, the worker not lost."""
    try:
        yield
    except RestpointError:
        raise
    except Exception as problem:
        log.exception("computation failed")
        sentence = f"Stick {stick}: computing failed ({type(problem).__name__}); the trace is kept and can be scored again."
        raise ScorerFailed(sentence) from problem
