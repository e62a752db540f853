"""What every adapter of the port `ChainMaps` keeps to."""

import math
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.ports import ChainMaps, SavedMap
from tests.contracts.given import ALL_STORES, NOON_NS, a_store

pytestmark = pytest.mark.parametrize("kind", ALL_STORES)

plain = (
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63)
    | st.floats(allow_nan=False, allow_infinity=False)
)
values = st.recursive(
    plain | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@pytest.fixture
def chain_maps(kind: str) -> Iterator[ChainMaps]:
    with a_store(kind) as store:
        yield store.chain_maps


def a_map(state: dict[str, object], chain_id: str = "press-3-a", folded_to_ns: int = NOON_NS) -> SavedMap:
    return SavedMap(chain_id=chain_id, folded_to_ns=folded_to_ns, state=state)


def test_a_chain_without_a_map_has_none(chain_maps: ChainMaps) -> None:
    assert chain_maps.load("press-3-a") is None


@settings(deadline=None, max_examples=30)
@given(st.dictionaries(st.text(), values, max_size=5))
def test_a_map_comes_back_to_the_last_digit(kind: str, state: dict[str, object]) -> None:
    with a_store(kind) as store:
        store.chain_maps.save(a_map(state))
        assert store.chain_maps.load("press-3-a") == a_map(state)


def test_saving_replaces_the_map_of_that_chain_alone(chain_maps: ChainMaps) -> None:
    chain_maps.save(a_map({"links": [1.5]}))
    chain_maps.save(a_map({"links": [9.0]}, "other"))
    newer = a_map({"links": [2.5, None]}, folded_to_ns=NOON_NS + 1)
    chain_maps.save(newer)
    chain_maps.save(newer)
    assert chain_maps.load("press-3-a") == newer
    assert chain_maps.load("other") == a_map({"links": [9.0]}, "other")


@pytest.mark.parametrize(
    "state", [{"x": math.nan}, {"x": [math.inf]}, {"x": b"bytes"}, {"x": {1, 2}}, {"x": "y" * 100_000}]
)
def test_a_state_that_cannot_be_kept_is_refused_and_the_old_map_stays(
    chain_maps: ChainMaps, state: dict[str, object]
) -> None:
    chain_maps.save(a_map({"links": [1.5]}))
    with pytest.raises(ValueError, match=r"map of chain 'press-3-a': "):
        chain_maps.save(a_map(state))
    assert chain_maps.load("press-3-a") == a_map({"links": [1.5]})
