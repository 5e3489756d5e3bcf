"""A progress bar on standard error, on a terminal only."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[float], None]]:
    """Gives the function to tell how far the work is, 0 to 1. Nothing is shown when standard error is no terminal."""
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what, total=1.0)
        yield lambda share: progress.update(task, completed=share)
