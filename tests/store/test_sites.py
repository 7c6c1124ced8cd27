from __future__ import annotations

import dataclasses

import pytest

from alertd.errors import InputError, StoreConflict
from alertd.records.alert import MessageState
from alertd.records.site import Planting, Subscription
from alertd.store.desk import in_chunks
from alertd.store.store import Store
from tests.store.builders import HOUR, NOW, make_episode, make_site, make_subscriber, queue


def test_a_site_comes_back_as_it_was_kept_with_ids_where_it_had_none(store: Store) -> None:
    kept = store.add_site(make_site(), now=NOW)
    assert kept.id
    assert all(planting.id for planting in kept.plantings)
    assert store.site(kept.id) == kept
    assert store.site("  invented   COURT ") == kept
    assert (
        dataclasses.replace(
            kept, id="", plantings=tuple(dataclasses.replace(p, id="") for p in kept.plantings)
        )
        == make_site()
    )


def test_a_second_site_of_the_same_name_is_refused_whatever_its_case(store: Store) -> None:
    store.add_site(make_site(), now=NOW)
    with pytest.raises(InputError, match="already a site called") as caught:
        store.add_site(make_site("INVENTED court"), now=NOW)
    assert caught.value.field == "name"
    assert len(store.sites()) == 1


def test_an_unknown_site_is_refused_with_the_nearest_name(store: Store) -> None:
    store.add_site(make_site(), now=NOW)
    with pytest.raises(InputError, match="did you mean 'Invented Court'"):
        store.site("Invented Cort")
    with pytest.raises(InputError, match="list the sites"):
        store.site("elsewhere")


def test_many_sites_are_kept_all_or_none(store: Store) -> None:
    with pytest.raises(InputError):
        store.add_sites([make_site("One"), make_site("Two"), make_site("one")], now=NOW)
    assert store.sites() == []
    store.add_sites([make_site("Two"), make_site("One")], now=NOW)
    assert [site.name for site in store.sites()] == ["One", "Two"]


def test_an_edit_replaces_plantings_and_keeps_the_order_given(store: Store) -> None:
    kept = store.add_site(make_site(), now=NOW)
    spruce, rose = kept.plantings
    edited = dataclasses.replace(
        kept, name="New Name", plantings=(Planting(id="", host="juniper"), rose), active=False
    )
    stored = store.edit_site(edited, now=NOW + HOUR)
    assert store.site(kept.id) == stored
    assert [planting.host for planting in stored.plantings] == ["juniper", "rose"]
    assert stored.plantings[1] == rose
    assert spruce not in stored.plantings
    assert store.sites() == []
    assert store.sites(active=None) == [stored]


def test_an_edit_may_keep_its_own_name_but_not_take_another(store: Store) -> None:
    first = store.add_site(make_site("One"), now=NOW)
    store.add_site(make_site("Two"), now=NOW)
    assert store.edit_site(dataclasses.replace(first, name="ONE"), now=NOW).name == "ONE"
    with pytest.raises(InputError):
        store.edit_site(dataclasses.replace(first, name="two"), now=NOW)
    assert store.site(first.id).name == "ONE"


def test_a_removed_site_frees_its_name_keeps_history_and_sends_nothing_more(store: Store) -> None:
    queue(store, 2)
    store.subscribe(Subscription("u1", "s1"))
    store.remove_site("Invented Court", now=NOW + HOUR)
    assert store.sites(active=None) == []
    assert store.open_episodes(["s1"]) == []
    assert store.subscriptions_for(["s1"]) == []
    assert store.outbox_counts()[MessageState.EXPIRED] == 2
    assert store.lease(NOW + HOUR, "w", 10, 60) == []
    assert len(store.history("Invented Court")) == 2
    again = store.add_site(make_site(), now=NOW + HOUR)
    assert store.site("Invented Court") == again


def test_firms_do_not_see_each_others_sites(store: Store, url: str) -> None:
    add_firm(store, "other")
    mine = store.add_site(make_site(), now=NOW)
    theirs = store.add_site(make_site(firm_id="other"), now=NOW)
    assert store.site("Invented Court") == mine
    assert store.site("Invented Court", firm_id="other") == theirs
    with pytest.raises(InputError):
        store.site(theirs.id)
    with pytest.raises(InputError):
        store.remove_site(theirs.id, now=NOW)
    with pytest.raises(InputError):
        store.edit_site(dataclasses.replace(theirs, firm_id="default"), now=NOW)
    with pytest.raises(InputError, match="several firms"):
        store.site("Invented Court", firm_id=None)
    assert store.sites(firm_id="other") == [theirs]
    assert len(store.sites()) == 2


def add_firm(store: Store, firm_id: str) -> None:
    from alertd.store.models import FirmRow

    with store._write() as session:
        session.add(FirmRow(id=firm_id, name=firm_id))


def test_a_row_that_refers_to_nothing_is_refused(store: Store) -> None:
    with pytest.raises(StoreConflict):
        store.commit_decisions(episodes=[make_episode("nowhere")], now=NOW)
    with pytest.raises(StoreConflict):
        store.add_site(make_site(firm_id="unknown"), now=NOW)


def test_thousands_of_ids_are_looked_up_in_pieces(store: Store) -> None:
    store.add_sites([make_site(f"Site {n}", f"s{n}") for n in (0, 499, 500, 2999)], now=NOW)
    found = store.sites_by_id(f"s{n}" for n in range(3000))
    assert list(found) == ["s0", "s499", "s500", "s2999"]


def test_pieces_hold_every_item_once_in_order() -> None:
    assert list(in_chunks([3, 1, 3, 2, 1, 4], 2)) == [[3, 1], [2, 4]]
    assert list(in_chunks([], 2)) == []


def test_subscribers_are_kept_named_and_removed_like_sites(store: Store) -> None:
    kept = store.add_subscriber(make_subscriber(), now=NOW)
    assert store.subscriber("crew lead") == kept
    with pytest.raises(InputError, match="already a subscriber"):
        store.add_subscriber(make_subscriber("CREW LEAD"), now=NOW)
    edited = store.edit_subscriber(dataclasses.replace(kept, wake_hour=7, secret="whsec_invented"), now=NOW)
    assert store.subscribers() == [edited]
    store.remove_subscriber(kept.id, now=NOW)
    assert store.subscribers(active=None) == []
    with pytest.raises(InputError):
        store.subscriber(kept.id)
    with pytest.raises(InputError):
        store.edit_subscriber(edited, now=NOW)
    assert store.add_subscriber(make_subscriber(), now=NOW).id != kept.id


def test_subscriptions_are_changed_listed_and_ended(store: Store) -> None:
    site = store.add_site(make_site(), now=NOW)
    lead = store.add_subscriber(make_subscriber(), now=NOW)
    rested = store.add_subscriber(dataclasses.replace(make_subscriber("Rested"), active=False), now=NOW)
    store.subscribe(Subscription(lead.id, site.id))
    store.subscribe(Subscription(lead.id, site.id, ("hot-dry-warning",)))
    store.subscribe(Subscription(rested.id, site.id))
    wanted = Subscription(lead.id, site.id, ("hot-dry-warning",))
    assert store.subscriptions_for([site.id, "none"]) == [(wanted, lead)]
    assert store.subscriptions(lead.id) == [wanted]
    assert store.unsubscribe(lead.id, site.id) == 1
    assert store.unsubscribe(lead.id, site.id) == 0
    assert store.unsubscribe(rested.id) == 1


def test_a_subscriber_of_one_firm_cannot_hear_about_a_site_of_another(store: Store) -> None:
    add_firm(store, "other")
    site = store.add_site(make_site(firm_id="other"), now=NOW)
    lead = store.add_subscriber(make_subscriber(), now=NOW)
    with pytest.raises(InputError):
        store.subscribe(Subscription(lead.id, site.id))
    with pytest.raises(InputError):
        store.subscribe(Subscription(lead.id, "none"))
    assert store.subscriptions(lead.id) == []


def test_messages_to_a_removed_subscriber_lapse(store: Store) -> None:
    queue(store, 3)
    store.remove_subscriber("Crew Lead", now=NOW)
    assert store.outbox_counts()[MessageState.EXPIRED] == 3


def test_own_limits_come_back_with_the_reasons_of_the_looser_ones(store: Store) -> None:
    limits = {"soap.heat_block_c": 35.0, "wind_upper_block_m_s": 3.5}
    why = {"soap.heat_block_c": "label of 2026"}
    kept = store.add_site(dataclasses.replace(make_site(), limits=limits, limit_reasons=why), now=NOW)
    found = store.site(kept.id)
    assert (found.limits, found.limit_reasons) == (limits, why)
    store.edit_site(dataclasses.replace(found, limit_reasons={}), now=NOW)
    assert store.site(kept.id).limits == limits
    assert store.site(kept.id).limit_reasons == {}
