"""Plain words, and the numbers that win over them."""

from __future__ import annotations

import pytest

from routeplan.errors import InputError
from routeplan.radio import noise, words


def stated(resolved, key):
    (found,) = [s for s in resolved.stated if s.key == key]
    return found


@pytest.mark.parametrize("kind", list(words.STATION_KINDS))
@pytest.mark.parametrize("frequency_mhz", [51.5, 70.45, 145.5, 433.5, 1297.5])
def test_every_kind_resolves_on_every_band(kind, frequency_mhz):
    r = words.resolve_station(frequency_mhz=frequency_mhz, kind=kind)
    assert r.value.antenna_height_m == words.STATION_KINDS[kind].antenna_height_m
    assert all(s.guess for s in r.stated if s.key not in ("kind",))
    assert all(len(s.origin) > 5 for s in r.stated)


@pytest.mark.parametrize("mount", list(words.MOUNTS))
@pytest.mark.parametrize("antenna", list(words.ANTENNAS))
def test_every_set_resolves(mount, antenna):
    r = words.resolve_set(frequency_mhz=145.5, mount=mount, antenna=antenna)
    assert r.value.antenna_height_m == words.MOUNTS[mount].height_m
    assert -25 < r.value.antenna_gain_dbi < 3


def test_words_that_checks_and_riders_use():
    for word in ("indoors", "in the loft", "vertical on the chimney", "beam on a mast", "hill repeater", "handheld",
                 "chimney vertical", "Chimney", "loft"):  # fmt: skip
        assert words.known(word, words.STATION_KINDS, "kind").transmit_w > 0
    for word in ("rack", "chest", "hand", "whip on the rack", "in the chest harness", "in the hand"):
        assert words.known(word, words.MOUNTS, "mount").height_m > 1
    for word, name in (("town", "residential"), ("village", "residential"), ("open", "rural"), ("city", "city")):
        assert words.known(word, words.SURROUNDINGS, "surroundings").category.name == name


def test_defaults_rider_rural_station_residential():
    assert words.resolve_set(frequency_mhz=145.5).value.surroundings is noise.RURAL
    assert words.resolve_station(frequency_mhz=145.5).value.surroundings is noise.RESIDENTIAL


def test_numbers_win_and_are_no_guesses():
    r = words.resolve_station(
        frequency_mhz=145.5, kind="loft", antenna_gain_dbi=6.5, antenna_height_m=12.0, feeder_db=0.7,
        transmit_w=10.0, sensitivity="0.2 uV", surroundings="open",
    )  # fmt: skip
    assert (r.value.antenna_gain_dbi, r.value.antenna_height_m, r.value.feeder_db) == (6.5, 12.0, 0.7)
    assert r.value.directivity_dbi == pytest.approx(6.8)
    for key in ("antenna_gain_dbi", "antenna_height_m", "feeder_db", "transmit_w", "surroundings"):
        assert not stated(r, key).guess and stated(r, key).origin == "ride file"
    assert r.value.noise_figure_db == pytest.approx(7.08, abs=0.02)  # 0.2 uV = -120.97 dBm


def test_own_gain_of_a_whip_is_kept_as_loss():
    r = words.resolve_set(frequency_mhz=145.5, antenna_gain_dbi=-6.0).value
    assert (r.antenna_gain_dbi, r.directivity_dbi) == pytest.approx((-6.0, 1.8))
    beam = words.resolve_set(frequency_mhz=145.5, antenna_gain_dbi=5.0).value
    assert (beam.antenna_loss_db, beam.directivity_dbi) == (0.0, 5.0)


def test_a_station_with_two_frequencies_is_a_hill_repeater():
    r = words.resolve_station(frequency_mhz=145.0, hears_mhz=145.0, talks_mhz=145.6)
    assert stated(r, "kind").value == "hill repeater" and r.value.surroundings is noise.RURAL


def test_feeder_grows_with_the_root_of_frequency():
    kind = words.STATION_KINDS["vertical on the chimney"]
    assert kind.feeder_db_at(580.0) == pytest.approx(2 * kind.feeder_db_at(145.0))


def test_unknown_words_name_the_nearest():
    with pytest.raises(InputError, match='did you mean "rack"'):
        words.resolve_set(frequency_mhz=145.5, mount="rakc")
    with pytest.raises(InputError, match="known are"):
        words.resolve_station(frequency_mhz=145.5, kind="zzzz")


def test_all_faults_at_once():
    with pytest.raises(InputError) as caught:
        words.resolve_station(
            frequency_mhz=145.5, kind="chimny", surroundings="twn", transmit_w=-5, antenna_gain_dbi=60,
            antenna_height_m=-3, sensitivity="loud",
        )  # fmt: skip
    assert len(caught.value.faults) == 6
    assert all(f.what and f.where for f in caught.value.faults)


def test_property_better_words_give_better_links():
    """Indoors < loft < chimney < beam on a mast, in height and in gain less losses."""
    order = ("indoors", "in the loft", "vertical on the chimney", "beam on a mast")
    made = [words.resolve_station(frequency_mhz=145.5, kind=k).value for k in order]
    assert [s.antenna_height_m for s in made] == sorted(s.antenna_height_m for s in made)
    net = [s.antenna_gain_dbi - s.feeder_db - s.building_db for s in made]
    assert net == sorted(net)
