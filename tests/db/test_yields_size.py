"""The generator of large databases: the same seed gives the same runs, every sort of row is there, and all questions can be asked."""

import numpy as np
from sqlalchemy import func, inspect, select, table

from db.filling import Filler
from db.models import Run
from db.queries import Queries
from db.queries.yields import YieldQueries
from db.store import SqlStore
from db.yield_check import yield_problems
from station.records import Verdict
from tests.bench.size_questions import Asking, questions
from tests.bench.size_runs import END, Works, plan, specifications

RUNS = 1500
EMPTY = (
    "audit|chain|kept_|answers|procedure|calibration|reference_|studies|"
    "chart|stations|line_|outbox|advices|ledger|source_estimates|monitors"
)
"""Tables of what no run leaves by itself."""


def fill(store: SqlStore) -> None:
    for content, specification in specifications():
        store.keep_specification(content, specification, END)
    filler = Filler(store)
    for chunk in Works(RUNS, seed=5).chunks(400):
        filler.fill(chunk)
    filler.finish()


def test_the_same_seed_gives_the_same_runs() -> None:
    one, same, other = plan(RUNS, 5), plan(RUNS, 5), plan(RUNS, 6)
    assert len(one) == RUNS
    assert all(np.array_equal(getattr(one, name), getattr(same, name)) for name in one.__slots__)
    assert not np.array_equal(one.verdict, other.verdict)
    assert bool(np.all(np.diff(one.start_s) >= 0))
    first, again = (next(iter(Works(RUNS, 5).chunks(30))) for _ in range(2))
    assert [run.opening for run in first] == [run.opening for run in again]


def test_every_sort_of_row_is_there_and_every_question_has_an_answer(url: str, store: SqlStore) -> None:
    fill(store)
    with store.database.read() as connection:
        assert yield_problems(connection) == ()
        verdicts = connection.scalars(select(Run.verdict).distinct()).all()
        names = [name for name in inspect(connection).get_table_names() if not any(word in name for word in EMPTY.split("|"))]
        rows = {name: connection.execute(select(func.count()).select_from(table(name))).scalar_one() for name in names}
    assert set(verdicts) == set(Verdict)
    assert rows["runs"] == rows["yield_runs"] == RUNS
    assert all(rows.values()), rows
    queries = Queries(url)
    for question in questions(Asking(queries, YieldQueries(queries.database))):
        for way in (question.ours, question.plain, question.pandas):
            assert way is None or way() is not None, question.name
    queries.close()
