"""The catalogue of metrics holds together with the specification, the reasons and the table of flicks."""

import numpy as np

from station.judge.reasons import MEANINGS
from station.measure.baseline import baseline_of
from station.measure.catalogue import CATALOGUE, METRICS, column_names
from station.measure.flicks import measure_flicks
from station.quantities import GROUPS
from tests.campaign_accuracy import demo_specification
from tests.truth import Scene, simulate

SPEC = demo_specification()


def test_lines_are_complete() -> None:
    assert len(METRICS) == len(CATALOGUE)
    for metric in CATALOGUE:
        assert metric.definition.endswith(".")
        assert metric.unit in ("s", "counts", "1")
        assert not metric.limit or hasattr(SPEC.limits, metric.limit)
        assert not metric.nominal or hasattr(SPEC.stick, metric.nominal)
        assert bool(metric.limit) == bool(metric.reason)
        assert not metric.reason or metric.reason in MEANINGS


def test_every_limit_of_a_flick_has_a_metric() -> None:
    of_the_axis = {"rest_error_counts", "settle_band_counts"}
    assert set(type(SPEC.limits).model_fields) - of_the_axis == {metric.limit for metric in CATALOGUE if metric.limit}


def test_a_table_has_all_columns_and_one_row_a_flick() -> None:
    recording = simulate(Scene(order=GROUPS), 1, with_truth=False).recording
    table = measure_flicks(recording, baseline_of(recording, SPEC), SPEC)
    assert set(table.columns) == set(column_names())
    assert all(column.shape == (4,) for column in table.columns.values())
    assert all(np.all(table.columns[f"u_{name}"] >= 0) for name in ("peak_counts", "reach_counts", "return_s", "settle_s"))


def test_no_flick_gives_an_empty_table() -> None:
    recording = simulate(Scene(order=()), 1, with_truth=False).recording
    table = measure_flicks(recording, baseline_of(recording, SPEC), SPEC)
    assert len(table) == 0
    assert set(table.columns) == set(column_names())
