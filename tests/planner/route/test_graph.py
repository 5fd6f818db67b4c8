r"""Choosing roads, on networks small enough to check by eye. Numbers are minutes of driving.

a ---10--- b ---10--- c        a to d by b and c: 25; by e: 30
 \                    |
  \---15--- e --15--- d --5-- c
"""

from dataclasses import replace

import pytest

from planner.model.errors import NoRouteError
from planner.route.graph import choose_route, remarks, road_graph

AB, BC, CD, AE, ED = ("a", "b", 10), ("b", "c", 10), ("c", "d", 5), ("a", "e", 15), ("e", "d", 15)


@pytest.fixture
def ring(road):
    return [road(*ends) for ends in (AB, BC, CD, AE, ED)]


def stops(legs) -> str:
    return legs[0].start + "".join(one.finish for one in legs)


RING = (AB, BC, CD, AE, ED)


@pytest.mark.parametrize(
    ("ends", "changed", "route", "taken"),
    [
        (RING, {}, "ad", "abcd"),  # the quickest
        (RING, {}, "aed", "aed"),  # by the place named
        (RING, {}, "aecb", "aedcb"),  # back and forth over a two-way road: c lies beyond d when e comes first
        (RING, {}, "aba", "aba"),
        (RING, {"explicit": True}, "aed", "aed"),
        (RING, {CD: {"open": False}}, "ad", "aed"),
        (RING, {CD: {"two_way": False}}, "ad", "abcd"),
        (RING, {CD: {"two_way": False}}, "da", "dea"),
        # long and fast: 18 km twice at 30 m/s, against 18 km at 10 m/s
        ((AB, BC, ("a", "c", 30)), {AB: {"speed_m_per_s": 30.0}, ("a", "c", 30): {"speed_m_per_s": 10.0}}, "ac", "abc"),
    ],
)
def test_the_road_taken(make_trip, road, ends, changed, route, taken):
    legs = [road(*one, **changed.get(one, {})) for one in ends]
    trip = make_trip(legs, route=tuple(route), explicit=changed.get("explicit", False))
    assert stops(choose_route(trip)) == taken


def test_a_listed_route_needs_a_leg_for_every_step(make_trip, ring):
    with pytest.raises(
        NoRouteError, match=r"^no open leg goes from 'A' to 'C'; add it to legs\.csv, or name the places"
    ):
        choose_route(make_trip(ring, route=("a", "c", "d"), explicit=True))


@pytest.mark.parametrize("explicit", [True, False])
def test_of_parallel_roads_the_quickest_is_taken_then_the_first_by_name(make_trip, road, explicit):
    slow, quick = road("a", "b", 12, road="A 1"), road("a", "b", 11, road="B 2")
    for order in ([slow, quick], [quick, slow]):
        assert choose_route(make_trip(order, route=("a", "b"), explicit=explicit))[0].road == "B 2"
    same = road("a", "b", 12, road="A 2")
    for order in ([slow, same], [same, slow]):
        assert choose_route(make_trip(order, route=("a", "b"), explicit=explicit))[0].road == "A 1"


def test_a_closed_road_leaves_its_parallel_open(make_trip, road):
    legs = [road("a", "b", 5, road="pass", open=False), road("a", "b", 9, road="tunnel")]
    assert [one.road for one in choose_route(make_trip(legs, route=("a", "b")))] == ["tunnel"]


def test_no_road_is_said_with_both_ends_and_what_to_do(make_trip, road):
    legs = [road(*AB), road("c", "d", 5)]
    with pytest.raises(NoRouteError) as caught:
        choose_route(make_trip(legs, route=("a", "d")))
    assert str(caught.value) == "no open road leads from 'A' to 'D'; add a leg to legs.csv, or open a closed one"


def test_a_leg_driven_backwards_is_the_same_road_the_other_way(make_trip, road):
    (back,) = choose_route(make_trip([road("a", "b", 10, road="A 1")], route=("b", "a")))
    assert (back.start, back.finish, back.road, back.distance_m) == ("b", "a", "A 1", 15000.0)


def test_the_graph_holds_every_place_and_both_ways(make_trip, ring):
    graph = road_graph(make_trip(ring, route=("a", "d")))
    assert sorted(graph) == list("abcde")
    assert sum(map(len, graph.values())) == 10
    assert graph["a"]["b"]["cost"] == pytest.approx(600.0)


def test_oddities_of_the_network_are_told(make_trip, road):
    legs = [road("a", "b", 10), road("b", "c", 10), road("b", "dead", 10), road("far", "away", 10)]
    trip = make_trip(legs, route=("a", "c"))
    lonely = replace(trip.places["a"], key="lonely", name="lonely")
    lonesome = replace(trip, places={**trip.places, "lonely": lonely})
    said = remarks(lonesome)
    names = {key: place.name for key, place in trip.places.items()}
    assert any("No open leg reaches lonely" in text for text in said)
    assert any(names["far"] in text and "not to the start" in text for text in said)
    assert any("Dead ends" in text and names["dead"] in text for text in said)
