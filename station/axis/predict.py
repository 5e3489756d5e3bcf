"""What any other part would do to measured returns: back from the node to the wiper, forward to the node again."""

from dataclasses import dataclass, replace

import numpy as np

from station.axis.model import node_from_wiper, wiper_from_node
from station.records import Floats


@dataclass(frozen=True, slots=True)
class Circuit:
    """One axis: supply, track and series resistance, and the capacitor that was fitted while the returns were measured."""

    supply_v: float
    track_ohm: float
    series_ohm: float
    fitted_f: float = 0.0

    def scaled(self, track: float = 1.0, fitted: float = 1.0) -> "Circuit":
        """The same with the track and the fitted part off nominal by these factors."""
        return replace(self, track_ohm=self.track_ohm * track, fitted_f=self.fitted_f * fitted)


def wiper_behind(node_v: Floats, rate_hz: float, circuit: Circuit, return_s: float | None = None) -> Floats:
    """Wiper volts behind measured node volts, shape (..., n)."""
    fraction = wiper_from_node(node_v, rate_hz, circuit.fitted_f, circuit.supply_v, circuit.track_ohm, circuit.series_ohm, return_s)
    return circuit.supply_v * fraction


def node_with(wiper_v: Floats, rate_hz: float, farads: Floats, circuit: Circuit) -> Floats:
    """Node volts for wiper volts of shape (m, n) with each of k parts, farads of shape (k,), shape (k, m, n). The node begins settled."""
    answer = np.empty((len(farads), *wiper_v.shape))
    filtered = farads > 0.0
    answer[~filtered] = wiper_v
    if np.any(filtered):
        fraction, parts = wiper_v / circuit.supply_v, farads[filtered][:, None]
        answer[filtered] = node_from_wiper(fraction, rate_hz, parts, circuit.supply_v, circuit.track_ohm, circuit.series_ohm)
    return answer
