"""What a visitor has besides the pairing: a day, a kit, a rig that is being made; undone together and carried by the address."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest
from spec_answers import NEEDED

from framematch.errors import InputError
from framematch.files.day import parse_day
from framematch.files.spec_sheet import rig_text
from framematch.files.starter import starter_day
from framematch.page.address import Address, address_of, answers_in, packed, packed_answers, unpacked_text
from framematch.page.draft import Draft, changed, loaded, redone, undone
from framematch.page.session import EXAMPLE


@pytest.fixture
def draft() -> Draft:
    return Draft(text=EXAMPLE)


def test_a_days_figures_are_taken_when_their_table_is_whole(draft: Draft) -> None:
    """mass_kg and prop_diameter_m are both needed: the first waits for the second."""
    one = changed(draft, "day.aircraft.mass_kg", {"day.aircraft.mass_kg": 3.1})
    assert one.day == "" and "prop_diameter_m" in one.faults["day.aircraft.mass_kg"] and one.text == draft.text
    both = changed(one, "day.aircraft.prop_diameter_m", {"day.aircraft.prop_diameter_m": 0.18})
    assert not both.faults and both.day_file is not None and both.day_file.aircraft is not None
    assert (both.day_file.aircraft.mass_kg, both.day_file.aircraft.prop_diameter_m) == (3.1, 0.18)
    refused = changed(both, "day.aircraft.mass_kg", {"day.aircraft.mass_kg": 900.0})
    assert "0.01 to 200" in refused.faults["day.aircraft.mass_kg"] and refused.day == both.day


def test_half_of_a_pair_waits_for_the_other(draft: Draft) -> None:
    half = changed(draft, "day.exposure.f_number_range", {"day.exposure.f_number_range": [2.8, None]})
    assert "half given" in half.faults["day.exposure.f_number_range"]


def test_the_day_has_the_shots_speed_and_tilt(draft: Draft) -> None:
    """Card and pictures come from one value."""
    told = loaded(draft, day=starter_day("rig.toml"))
    faster = changed(changed(told, "run.speed_m_s", {"run.speed_m_s": 11.0}), "aircraft.camera_tilt_deg", {"aircraft.camera_tilt_deg": 17.0})
    assert faster.day_shot is not None
    saved, flown = parse_day(faster.day_linked, pairing=faster.pairing), parse_day(faster.day, pairing=faster.pairing).flown_as(faster.day_shot)
    assert saved == replace(flown, shot=None)
    assert flown.shot == faster.shot and flown.run is not None and flown.aircraft is not None
    assert (flown.run.speed_m_s, flown.aircraft.camera_tilt_deg) == (11.0, 17.0)
    assert "# " in faster.day_linked  # remarks stay
    assert tomllib.loads(told.day_linked)["run"]["speed_m_s"] == 8.0 == told.shot.run.speed_m_s


def test_pairing_day_and_kit_are_undone_in_the_order_in_which_they_came(draft: Draft) -> None:
    a = changed(draft, "mount.aim_deg.pan", {"mount.aim_deg.pan": 1.0})
    b = loaded(a, day="title = 'd'\n")
    c = loaded(b, kit="title = 'k'\n")
    assert undone(c).texts == b.texts and undone(undone(c)).texts == a.texts and undone(undone(undone(c))).texts == draft.texts
    assert redone(undone(c)).texts == c.texts and redone(c) is c
    assert loaded(undone(c), day="").after == ()


def test_a_days_text_that_does_not_read_is_kept_and_its_fields_wait(draft: Draft) -> None:
    broken = loaded(draft, day="[aircraft\n")
    assert broken.day_file is None and broken.day_linked == "[aircraft\n"
    assert changed(broken, "mount.aim_deg.pan", {"mount.aim_deg.pan": 1.0}).pairing.mount.pan_deg == 1.0
    assert changed(broken, "day.pack.cells", {"day.pack.cells": 6}).faults["day.pack.cells"]


def test_the_address_carries_all_of_it() -> None:
    said = Address(day=packed("title = 'd'\n"), kit=packed("title = 'k'\n"), new=packed_answers({"title": "Rig 4", "unit": ""}))
    found = address_of(said.parameters)
    assert found == said and unpacked_text(found.day) == "title = 'd'\n" and answers_in(found.new) == {"title": "Rig 4"}
    assert answers_in(packed_answers({})) == {} and answers_in("") is None


@pytest.mark.parametrize("letters", ["%%%", packed("[1, 2]"), packed('{"a": 3}')[:-3], packed("[" * 5000), "A" * 20_000])
def test_answers_in_an_address_that_say_nonsense_are_none(letters: str) -> None:
    assert answers_in(letters) is None


def test_answers_are_text_of_a_bounded_length() -> None:
    assert answers_in(packed('{"title": 3, "unit": "' + "x" * 900 + '"}')) == {"unit": "x" * 300}
    with pytest.raises(InputError, match="link"):
        unpacked_text("abc")


def test_a_rig_without_an_aircraft_gets_one_when_its_size_is_typed() -> None:
    """Width, height and length come one after the other; what is known of it waits for them."""
    text = rig_text(NEEDED)
    draft = Draft(text=text)
    assert draft.shot.aircraft is None and draft.shot.subjects == () and draft.shot.candidates == ()
    unsure = changed(draft, "aircraft.uncertainty_cm", {"aircraft.uncertainty_cm": 10.0})
    assert "size_m" in unsure.faults["aircraft.uncertainty_cm"]
    half = changed(unsure, "aircraft.size_m", {"aircraft.size_m": [0.4, None, None]})
    whole = changed(half, "aircraft.size_m", {"aircraft.size_m": [0.4, 0.2, 0.4]})
    assert not whole.faults and whole.shot.aircraft is not None
    assert (whole.shot.aircraft.width_m, whole.shot.aircraft.uncertainty_cm, whole.shot.aircraft.props) == (0.4, 10.0, ())
