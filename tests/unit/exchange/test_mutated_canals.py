"""Whatever stands in a canals document, reading it gives canals or one sentence."""

from __future__ import annotations

import copy
import json

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canalwright.errors import UnreadableFile
from canalwright.exchange.canals_in import read_canals
from canalwright.instruments.standard import instrument_from_id
from canalwright.planning.single_step import step_after

VALUE = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats() | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=4,
)


def places(value, path=()):
    yield path
    items = value.items() if isinstance(value, dict) else enumerate(value[:3])
    for key, item in items:
        if isinstance(item, dict | list):
            yield from places(item, (*path, key))
        else:
            yield (*path, key)


@given(data=st.data())
@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_a_changed_value_never_breaks_the_reader(contract, written, data):
    document = copy.deepcopy(contract)
    path = data.draw(st.sampled_from([p for p in places(document) if p]))
    holder = document
    for key in path[:-1]:
        holder = holder[key]
    if data.draw(st.booleans()):
        holder[path[-1]] = data.draw(VALUE)
    else:
        del holder[path[-1]]
    file = written(json.dumps(document))
    outcome = attempt(file)
    if isinstance(outcome, UnreadableFile):
        assert str(outcome).startswith(str(file))
        assert "\n" not in str(outcome)
        return
    for canal in outcome:
        assert (canal.radius_mm > 0.0).all()
        done, loads = step_after(canal, instrument_from_id("hand-20-02"))
        assert (done.step_mm >= 0.0).all()
        assert loads.peak_strain >= 0.0


def attempt(file):
    try:
        return read_canals(file)[0]
    except UnreadableFile as error:
        return error
