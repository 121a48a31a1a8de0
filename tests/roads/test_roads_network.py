"""From a file to the network: contraction, legality along streets, gates, bans, tunnels, twins, splitting."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from routeplan.errors import InputError
from routeplan.roads import tags
from routeplan.roads.along import along
from routeplan.roads.build import fuse
from routeplan.roads.network import Network, nearest_street
from routeplan.roads.parallel import near_streets
from routeplan.roads.reader import read_osm
from routeplan.roads.roundabouts import as_places

ROAD = {"highway": "residential"}
# A ladder: 1-2-3 along the bottom, 4-5-6 along the top, rungs 1-4, 2-5, 3-6; 100 m apart. Way 12 has a bend.
LADDER_NODES = {1: (0, 0), 2: (100, 0), 3: (200, 0), 4: (0, 100), 5: (100, 100), 6: (200, 100), 7: (150, 20)}
LADDER_WAYS = [
    (10, [1, 2], ROAD | {"name": "Low Street"}), (12, [2, 7, 3], ROAD | {"name": "Low Street"}), (20, [4, 5, 6], ROAD),
    (30, [1, 4], ROAD), (31, [2, 5], ROAD), (32, [3, 6], ROAD),
]  # fmt: skip


def check(network: Network) -> None:
    """What holds of every network."""
    first = network.point_first
    assert first[0] == 0 and first[-1] == len(network.point_x_m) and (np.diff(first) >= 2).all()
    for column, node in ((first[:-1], network.street_start), (first[1:] - 1, network.street_end)):
        assert np.allclose(network.point_x_m[column], network.node_x_m[node], atol=1e-6)
        assert np.allclose(network.point_y_m[column], network.node_y_m[node], atol=1e-6)
    last = np.zeros(len(network.point_x_m), bool)
    last[first[1:] - 1] = True
    assert ((network.piece_way < 0) == last).all()
    assert network.piece_length_m.max() <= 30.0 + 1e-6
    assert np.allclose(np.add.reduceat(network.piece_length_m, first[:-1]), network.street_length_m)
    order = np.lexsort((~network.edge_forward, network.edge_street, network.edge_tail))
    assert (order == np.arange(network.edge_count)).all()
    tail = np.where(
        network.edge_forward,
        network.street_start[network.edge_street],
        network.street_end[network.edge_street],
    )
    assert (tail == network.edge_tail).all()
    # What is allowed is the same on every piece of a street, and is what the edges say.
    piece = np.flatnonzero(~last)
    street = network.point_street[piece]
    assert (network.ways.forward[network.piece_way[piece]] == network.street_forward[street]).all()
    assert (network.ways.backward[network.piece_way[piece]] == network.street_backward[street]).all()
    assert (network.ways.choice[network.piece_way[piece]] == network.street_choice[street]).all()
    assert (network.street_group <= np.arange(network.street_count)).all()


def ids(network: Network, *edges: int) -> list[tuple[int, int]]:
    return [(int(network.node_id[network.edge_tail[e]]), int(network.node_id[network.edge_head[e]])) for e in edges]


def node(network: Network, osm_id: int) -> int:
    return int(np.flatnonzero(network.node_id == osm_id)[0])


def street_between(network: Network, a: int, b: int) -> int:
    pair = {node(network, a), node(network, b)}
    return next(k for k in range(network.street_count) if {network.street_start[k], network.street_end[k]} == pair)


def test_ladder(osm_file):
    data = read_osm(osm_file(LADDER_NODES, LADDER_WAYS))
    network = data.network
    check(network)
    # 1, 4, 3 and 6 have two streets each and the same is allowed: they are no places. 2 and 5 are.
    assert sorted(network.node_id.tolist()) == [2, 5]
    assert network.street_count == 3 and network.edge_count == 6
    bend = np.hypot(50, 20) * 2
    assert sorted(network.street_length_m) == pytest.approx([100, 300, 200 + bend], rel=1e-3)
    assert set(network.ways.name) == {"", "Low Street"}
    assert data.counts["ways"] == 6 and data.dropped == {}


def test_reading_twice_gives_the_same(osm_file):
    path = osm_file(LADDER_NODES, LADDER_WAYS)
    one, two = read_osm(path).network.to_columns(), read_osm([path, path]).network.to_columns()
    for name, value in one.items():
        assert np.array_equal(
            np.asarray(value), np.asarray(two[name]), equal_nan=np.asarray(value).dtype.kind == "f"
        ), name
    again = Network.from_columns(one)
    assert all(np.array_equal(getattr(again, f.name), one[f.name], equal_nan=f.name == "point_height_m")
               for f in fields(Network) if f.name != "ways")  # fmt: skip
    assert again.ways.name == tuple(one["ways.name"])


@pytest.mark.parametrize(
    "words",
    [
        {"oneway": "yes"},
        {"highway": "path"},
        {"highway": "pedestrian"},
        {"highway": "steps"},
        {"junction": "roundabout"},
    ],
)
def test_nothing_is_fused_across_a_change_of_legality(osm_file, words):
    ways = [(1, [1, 2], ROAD), (2, [2, 3], ROAD | words), (3, [3, 4], ROAD)]
    network = read_osm(osm_file({i: (100 * i, 0) for i in range(1, 5)}, ways)).network
    check(network)
    assert network.street_count == 3


def test_one_way_drawn_both_ways_is_one_street(osm_file):
    ways = [(1, [1, 2], ROAD | {"oneway": "yes"}), (2, [3, 2], ROAD | {"oneway": "-1", "incline": "5%"})]
    network = read_osm(osm_file({i: (100 * i, 0) for i in range(1, 4)}, ways)).network
    check(network)
    assert network.street_count == 1 and ids(network, 0) == [(1, 3)]
    row = network.piece_way[network.point_first[1] - 2]
    assert network.ways.incline[row] == pytest.approx(-0.05) and network.ways.forward[row]


def test_one_way_against_its_drawing_starts_where_it_may_be_ridden(osm_file):
    network = read_osm(osm_file({1: (0, 0), 2: (100, 0)}, [(1, [1, 2], ROAD | {"oneway": "-1"})])).network
    check(network)
    assert ids(network, 0) == [(2, 1)] and network.edge_forward.all()


def test_dead_end_and_loop_streets(osm_file):
    nodes = {1: (0, 0), 2: (100, 0), 3: (200, 0), 4: (250, 50), 5: (250, -50)}
    network = read_osm(osm_file(nodes, [(1, [1, 2, 3], ROAD), (2, [3, 4, 5, 3], ROAD)])).network
    check(network)
    loop = int(np.flatnonzero(network.street_start == network.street_end)[0])
    assert network.street_count == 2 and network.node_id[network.street_start[loop]] == 3
    forward, backward = network.edges_of_street(loop)
    assert network.edge_tail[forward] == network.edge_head[forward] == network.edge_tail[backward]
    assert network.edge_reverse[forward] == backward and network.edge_reverse[backward] == forward


def test_ring_without_any_junction_is_a_street(osm_file):
    nodes = {1: (0, 0), 2: (100, 0), 3: (100, 100)}
    network = read_osm(osm_file(nodes, [(1, [1, 2, 3, 1], ROAD)])).network
    check(network)
    assert network.node_count == 1 and network.street_count == 1


def test_gate_is_marked_and_stile_parts(osm_file):
    nodes = {1: (0, 0), 2: (50, 0, {"barrier": "gate"}), 3: (100, 0, {"barrier": "stile"}), 4: (150, 0)}
    network = read_osm(osm_file(nodes, [(1, [1, 2, 3, 4], ROAD)])).network
    check(network)
    assert network.street_count == 2 and network.node_count == 4 and (network.node_id < 0).sum() == 2
    assert network.components().max() == 1
    gate = np.flatnonzero(network.point_mark & tags.BARRIER)
    assert len(gate) == 1 and network.point_delay_s[gate[0]] == 15 and network.point_delay_s.sum() == 15


def test_turn_restrictions(osm_file):
    nodes = {1: (0, 0), 2: (100, 0), 3: (200, 0), 4: (100, 100), 5: (100, -100)}
    ways = [(1, [1, 2], ROAD), (2, [2, 3], ROAD), (3, [2, 4], ROAD), (4, [2, 5], ROAD)]

    def bans(words, members=(("way", 1, "from"), ("node", 2, "via"), ("way", 3, "to"))):
        network = read_osm(osm_file(nodes, ways, [(1, members, {"type": "restriction"} | words)])).network
        return {tuple(ids(network, *pair)) for pair in network.banned_turns.tolist()}

    assert bans({"restriction": "no_left_turn"}) == {((1, 2), (2, 4))}
    assert bans({"restriction": "only_left_turn"}) == {((1, 2), (2, 3)), ((1, 2), (2, 5))}
    assert bans({"restriction": "no_left_turn", "except": "bus;bicycle"}) == set()
    assert bans({"restriction": "no_left_turn", "except": "bus"}) == {((1, 2), (2, 4))}
    assert bans({"restriction:bicycle": "no_left_turn"}) == {((1, 2), (2, 4))}
    assert bans({"restriction:hgv": "no_left_turn"}) == set()


def test_turn_restrictions_at_some_hours_hold_always(osm_file):
    nodes = {1: (0, 0), 2: (100, 0), 3: (200, 0), 4: (100, 100), 5: (100, -100)}
    ways = [(1, [1, 2], ROAD), (2, [2, 3], ROAD), (3, [2, 4], ROAD), (4, [2, 5], ROAD)]
    members = [("way", 1, "from"), ("node", 2, "via"), ("way", 3, "to")]

    def bans(**words):
        words = {"type": "restriction"} | {f"restriction:{key.replace('_', ':')}": v for key, v in words.items()}
        data = read_osm(osm_file(nodes, ways, [(1, members, words)]))
        pairs = {tuple(ids(data.network, *pair)) for pair in data.network.banned_turns.tolist()}
        assert data.counts["restrictions_by_time"] == int(bool(pairs))
        return pairs

    left = {((1, 2), (2, 4))}
    assert bans(conditional="no_left_turn @ (Mo-Fr 07:00-09:00,16:00-18:00)") == left
    assert bans(conditional="no_left_turn @ 07:00-09:00; no_u_turn @ (22:00-06:00)") == left
    assert bans(conditional="no_left_turn @ (weight>7.5); no_left_turn @ (Su 10:00-12:00; PH)") == left
    assert bans(conditional="only_left_turn @ (sunset-sunrise)") == {((1, 2), (2, 3)), ((1, 2), (2, 5))}
    assert bans(bicycle_conditional="no_left_turn @ (07:00-09:00)", conditional="no_left_turn @ (hgv)") == left
    for others in ("weight>7.5", "hgv AND 07:00-09:00", "length>10", "motor_vehicle"):
        assert bans(conditional=f"no_left_turn @ ({others})") == set()
    assert bans(conditional="none @ (Sa-Su)") == set()
    assert bans(bicycle="none", conditional="no_left_turn @ (07:00-09:00)") == set()


# A dual carriageway, 1 > 2 > 3 one side and 6 > 5 > 4 the other, with a link 2 - 5: no turning round by the link.
DUAL = {1: (0, 0), 2: (100, 0), 3: (200, 0), 4: (0, 40), 5: (100, 40), 6: (200, 40), 7: (100, -90), 8: (100, 130)}
ONE_WAY = ROAD | {"oneway": "yes"}
NO_U_TURN = (1, [("way", 1, "from"), ("way", 3, "via"), ("way", 2, "to")], {"type": "restriction",
             "restriction": "no_u_turn"})  # fmt: skip


def dual(osm_file, *extra, relation=NO_U_TURN):
    sides = [(1, [1, 2], ONE_WAY), (4, [2, 3], ONE_WAY), (5, [6, 5], ONE_WAY), (2, [5, 4], ONE_WAY), (3, [2, 5], ROAD)]
    data = read_osm(osm_file(DUAL, [*sides, *extra], [relation]))
    bans = [ids(data.network, *pair) for pair in data.network.banned_turns.tolist()]
    return bans, data.counts["restrictions_by_way_ignored"]


def test_property_a_restriction_by_way_of_a_way_is_a_pair_where_that_says_the_same(osm_file):
    south, north = (6, [7, 2], ROAD), (7, [5, 8], ROAD)
    assert dual(osm_file) == ([[(2, 5), (5, 4)]], 0)  # the link is come to from the one side only
    assert dual(osm_file, north) == ([[(2, 5), (5, 4)]], 0)
    assert dual(osm_file, south) == ([[(1, 2), (2, 5)]], 0)  # and leads to the other only
    assert dual(osm_file, south, north) == ([], 1)  # across from the south: three in a row, no pair
    assert dual(osm_file, (6, [7, 2], ROAD | {"highway": "motorway"})) == ([[(2, 5), (5, 4)]], 0)


def test_restrictions_by_way_that_no_pair_says_are_counted(osm_file):
    only = (1, NO_U_TURN[1], {"type": "restriction", "restriction": "only_u_turn"})
    assert dual(osm_file, relation=only) == ([], 1)
    two = (1, [*NO_U_TURN[1], ("way", 4, "via")], NO_U_TURN[2])
    assert dual(osm_file, relation=two) == ([], 1)
    unridden = (1, [("way", 1, "from"), ("way", 99, "via"), ("way", 2, "to")], NO_U_TURN[2])
    assert dual(osm_file, relation=unridden) == ([], 0)


def test_ban_at_a_node_that_would_be_fused_keeps_the_place(osm_file):
    nodes = {1: (0, 0), 2: (100, 0), 3: (100, 100)}
    relation = (
        1,
        [("way", 1, "from"), ("node", 2, "via"), ("way", 2, "to")],
        {"type": "restriction", "restriction": "no_left_turn"},
    )
    network = read_osm(osm_file(nodes, [(1, [1, 2], ROAD), (2, [2, 3], ROAD)], [relation])).network
    assert ids(network, *network.banned_turns[0]) == [(1, 2), (2, 3)]


def test_long_tunnel_is_a_choice_unless_bicycles_are_named(osm_file):
    def choices(length, *words):
        nodes = {0: (0, 0)} | {i + 1: (length * (i + 1), 0) for i in range(len(words))}
        ways = [(i + 1, [i, i + 1], ROAD | {"tunnel": "yes"} | w) for i, w in enumerate(words)]
        network = read_osm(osm_file(nodes, ways)).network
        return {tags.CHOICES[c] for c in network.street_choice}

    assert choices(250, {}) == {""}
    assert choices(310, {}) == {"tunnel"}
    assert choices(160, {}, {"name": "second half"}) == {"tunnel"}  # one tube of two ways
    assert choices(310, {"bicycle": "yes"}) == {""}
    assert choices(310, {"tunnel": "avalanche_protector"}) == {""}
    assert choices(310, {"tunnel": "building_passage"}) == {""}


def test_choices(osm_file):
    nodes = {i: (100 * i, 0) for i in range(1, 5)}
    ways = [
        (1, [1, 2], ROAD),
        (2, [2, 3], {"highway": "trunk"}),
        (3, [3, 4], {"route": "ferry", "duration": "00:10"}),
    ]
    network = read_osm(osm_file(nodes, ways)).network
    assert network.allowed_streets().sum() == 1
    assert network.allowed_streets({"trunk"}).sum() == 2
    assert network.allowed_streets(tags.choices_from(["trunk", "ferry"])).all()
    ferry = network.ways.ferry
    assert ferry.sum() == 1 and network.ways.ferry_s[ferry] == 600
    with pytest.raises(ValueError, match="unknown choice 'boat'"):
        tags.choices_from(["boat"])


def test_subset_and_fuse(osm_file):
    nodes = LADDER_NODES | {8: (100, 200)}
    network = read_osm(osm_file(nodes, [*LADDER_WAYS, (40, [5, 8], {"highway": "path"})])).network
    small = network.subset(network.allowed_streets())
    check(small)
    assert small.street_count == 3 and small.node_count == 2 and len(small.point_x_m) < len(network.point_x_m)
    with pytest.raises(InputError, match="no street is left"):
        small.subset(np.zeros(3, bool))
    # Without the rung nothing is left to choose: one ring.
    rung = int(np.argmin(small.street_length_m))
    ring = fuse(small.subset(np.arange(3) != rung))
    check(ring)
    assert ring.street_count == 1 and ring.street_start[0] == ring.street_end[0]
    assert ring.street_length_m.sum() == pytest.approx(small.street_length_m.sum() - 100, rel=1e-3)
    assert len(ring.point_x_m) == len(small.point_x_m) - (small.point_first[rung + 1] - small.point_first[rung]) - 1


def test_fuse_keeps_directions_attributes_and_heights(osm_file):
    nodes = {1: (0, 0), 2: (100, 0), 3: (200, 0), 4: (100, 100)}
    ways = [(1, [1, 2], ROAD | {"oneway": "yes", "incline": "5%"}),
            (2, [3, 2], ROAD | {"oneway": "-1", "incline": "6%"}),
            (3, [2, 4], {"highway": "path"})]  # fmt: skip
    network = read_osm(osm_file(nodes, ways)).network
    network = network.with_heights(network.point_x_m * 0.05)
    joined = fuse(network.subset(network.allowed_streets()))
    check(joined)
    assert joined.street_count == 1 and joined.edge_count == 1 and ids(joined, 0) == [(1, 3)]
    assert np.allclose(joined.point_height_m, joined.point_x_m * 0.05)
    incline = joined.ways.incline[joined.piece_way[joined.piece_way >= 0]]
    assert incline[0] == pytest.approx(0.05) and incline[-1] == pytest.approx(-0.06)


def test_place_in_the_middle_of_a_street(osm_file):
    relation = (
        1,
        [("way", 10, "from"), ("node", 2, "via"), ("way", 31, "to")],
        {"type": "restriction", "restriction": "no_left_turn"},
    )
    network = read_osm(osm_file(LADDER_NODES, LADDER_WAYS, [relation])).network
    network = network.with_heights(network.point_y_m * 0.1)
    corner = node(network, 2)
    near = nearest_street(network, network.node_x_m[corner] - 60, network.node_y_m[corner] - 10)  # beside Low Street
    assert near.distance_m == pytest.approx(10, abs=0.1)
    split, place = network.with_place_on(near.street, near.offset_m)
    check(split)
    assert split.street_count == network.street_count + 1 and place == network.node_count and split.node_id[place] < 0
    assert split.street_length_m.sum() == pytest.approx(network.street_length_m.sum(), abs=1e-6)
    assert np.hypot(split.node_x_m[place] - near.x_m, split.node_y_m[place] - near.y_m) < 1e-6
    assert np.allclose(split.point_height_m, split.point_y_m * 0.1)
    # The ban is now from the new place's side of Low Street.
    ((edge_in, edge_out),) = split.banned_turns.tolist()
    assert split.edge_tail[edge_in] == place and ids(split, edge_out) == [(2, 5)]
    assert split.reach(place).all()


@pytest.mark.parametrize("offset", [0.0, 0.5, 17.0, 30.0, 60.0, 99.7, 100.0])
@pytest.mark.parametrize("oneway", ["yes", "-1", "no"])
def test_property_split_anywhere(osm_file, offset, oneway):
    network = read_osm(osm_file({1: (0, 0), 2: (100, 0)}, [(1, [1, 2], ROAD | {"oneway": oneway})])).network
    split, place = network.with_place_on(0, min(offset, network.street_length_m[0]))
    check(split)
    assert split.node_x_m[place] - network.node_x_m[network.street_start[0]] == pytest.approx(
        offset if network.street_start[0] == 0 else -offset, abs=1.0
    )
    assert len(split.point_x_m) <= len(network.point_x_m) + 2


def test_split_outside_the_street_is_refused(osm_file):
    network = read_osm(osm_file({1: (0, 0), 2: (100, 0)}, [(1, [1, 2], ROAD)])).network
    with pytest.raises(InputError, match="offset 120"):
        network.with_place_on(0, 120.0)


def test_start_far_from_any_road(osm_file):
    network = read_osm(osm_file({1: (0, 0), 2: (100, 0)}, [(1, [1, 2], ROAD)])).network
    with pytest.raises(InputError, match=r"nearest street lies 14\d\d m away"):
        nearest_street(network, 1000.0, 1000.0 + 100)
    assert network.nearest_street(1000.0, 1100.0, within_m=200) is None


def test_property_nearest_street_is_the_nearest_piece(osm_file):
    network = read_osm(osm_file(LADDER_NODES, LADDER_WAYS)).network
    rng = np.random.default_rng(1)
    pieces = np.flatnonzero(network.piece_way >= 0)
    for x, y in rng.uniform(-300, 300, (50, 2)):
        near = network.nearest_street(x, y)
        assert near.distance_m == pytest.approx(network.foot(pieces, x, y)[1].min())
        offset = network.point_offset_m[network.point_first[near.street] : network.point_first[near.street + 1]]
        points = slice(network.point_first[near.street], network.point_first[near.street + 1])
        assert np.interp(near.offset_m, offset, network.point_x_m[points]) == pytest.approx(near.x_m)


def test_dual_carriageway_shares_a_group(osm_file):
    nodes = {1: (0, 0), 2: (300, 0), 3: (300, 15), 4: (0, 15), 5: (-100, 7), 6: (400, 7)}
    oneway = {"highway": "secondary", "oneway": "yes"}
    ways = [(1, [1, 2], oneway), (2, [3, 4], oneway), (3, [4, 5, 1], ROAD), (4, [2, 6, 3], ROAD)]
    network = read_osm(osm_file(nodes, ways)).network
    check(network)
    a, b = street_between(network, 1, 2), street_between(network, 3, 4)
    assert network.street_group[a] == network.street_group[b] == min(a, b)
    assert len(set(network.street_group.tolist())) == network.street_count - 1
    split, _ = network.with_place_on(a, 100.0)
    assert len(set(split.street_group.tolist())) == split.street_count  # a split side is no twin
    kept = network.subset(np.arange(network.street_count) != street_between(network, 1, 4))
    assert len(set(kept.street_group.tolist())) == kept.street_count - 1


@pytest.mark.parametrize("gap, same_way", [(45, False), (15, True)])
def test_no_twins(osm_file, gap, same_way):
    nodes = {1: (0, 0), 2: (300, 0), 3: (300, gap), 4: (0, gap)}
    oneway = {"highway": "secondary", "oneway": "yes"}
    network = read_osm(osm_file(nodes, [(1, [1, 2], oneway), (2, [4, 3] if same_way else [3, 4], oneway)])).network
    assert len(set(network.street_group.tolist())) == 2


def test_near_streets(osm_file):
    nodes = {
        1: (0, 0),
        2: (400, 0),
        3: (800, 0),
        4: (0, 30),
        5: (350, 30),
        6: (0, 500),
        7: (800, 500),
        8: (400, 300),
    }
    ways = [(1, [1, 2], ROAD), (2, [2, 3], ROAD), (3, [4, 5], ROAD), (4, [6, 7], ROAD), (5, [2, 8], ROAD)]
    network = read_osm(osm_file(nodes, ways)).network
    near = near_streets(network)
    a, b = street_between(network, 1, 2), street_between(network, 4, 5)
    assert near.streets.tolist() == [sorted((a, b))]
    assert near.length_m[0] == pytest.approx([350, 350], abs=40)
    assert len(near_streets(network, within_m=20).streets) == 0


def test_roundabout_as_one_place(osm_file):
    ring = {1: (0, -20), 2: (20, 0), 3: (0, 20), 4: (-20, 0)}
    arms = {11: (0, -200), 12: (200, 0), 13: (0, 200), 14: (-200, 0)}
    ways = [(1, [1, 2, 3, 4, 1], ROAD | {"junction": "roundabout"})] + [(i, [i, i - 10], ROAD) for i in arms]
    network = read_osm(osm_file(ring | arms, ways)).network
    check(network)
    assert network.node_count == 8 and network.edge_count == 8 + 4
    view = as_places(network)
    assert len(view.edge) == 8 and len({int(view.place[node(network, i)]) for i in ring}) == 1
    arrive = next(i for i in range(8) if ids(network, view.edge[i]) == [(11, 1)])
    leave = next(i for i in range(8) if ids(network, view.edge[i]) == [(4, 14)])
    full = view.expand(np.array([arrive, leave]))
    assert ids(network, *full) == [(11, 1), (1, 2), (2, 3), (3, 4), (4, 14)]
    along(network, full)  # hangs together
    assert view.ring_length_m[arrive] == pytest.approx(4 * np.hypot(20, 20) / 2, rel=0.01)


def test_along_both_ways(osm_file):
    network = read_osm(osm_file(LADDER_NODES, LADDER_WAYS)).network
    network = network.with_heights(np.arange(len(network.point_x_m), dtype=float))
    there = int(np.flatnonzero(network.edge_tail == node(network, 2))[0])
    back = int(network.edge_reverse[there])
    route = along(network, [there, back])
    n = len(route.piece) // 2
    assert (route.piece[:n] == route.piece[n:][::-1]).all() and np.allclose(route.x_m, route.x_m[::-1])
    assert route.distance_m[-1] == pytest.approx(2 * network.edge_length_m[there])
    assert (network.piece_way[route.piece] >= 0).all()
    assert np.flatnonzero(route.node >= 0).tolist() == [0, n, 2 * n]
    with pytest.raises(InputError, match="does not begin where"):
        along(network, [there, there])


def test_components_and_reach(osm_file):
    nodes = {1: (0, 0), 2: (100, 0), 3: (200, 0), 11: (0, 500), 12: (50, 500)}
    ways = [(1, [1, 2], ROAD), (2, [2, 3], ROAD | {"oneway": "yes"}), (3, [11, 12], ROAD)]
    network = read_osm(osm_file(nodes, ways)).network
    label = network.components()
    assert label[node(network, 1)] == label[node(network, 2)] == 0 and len(set(label.tolist())) == 3
    start, end = node(network, 1), node(network, 3)
    assert network.reach(start).sum() == 3 and network.reach(start, end).sum() == 3
    assert network.reach(end).sum() == 1
    first, head = network.csr()
    assert head[first[start] : first[start + 1]].tolist() == [node(network, 2)]
