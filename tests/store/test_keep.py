"""Keeping: sent again, corrected, found."""

import asyncio
import hashlib

import psycopg
import pytest

from service.model.record import Kept, Sent
from service.store.database import new_id


def sent(key: str = "visit-1", body: bytes = b"{}") -> Sent:
    return Sent(key=key, digest=hashlib.sha256(body).digest())


def test_sent_again_is_kept_once(in_store, an_evaluation, tenant):
    first, second, third = (an_evaluation() for _ in range(3))

    async def body(store):
        return [
            await store.claimed(tenant, sent()),
            await store.keep(tenant, first, sent()),
            await store.keep(tenant, second, sent()),
            await store.keep(tenant, third, sent(body=b"{ }")),
            await store.claimed(tenant, sent()),
            await store.claimed(tenant, sent(body=b"{ }")),
            (await store.list(tenant)).items,
        ]

    *fates, items = in_store(body)
    made = first.evaluation_id
    assert fates == [
        None,
        Kept(fate="kept", made=made),
        Kept(fate="repeated", made=made),
        Kept(fate="other_request", made=made),
        Kept(fate="repeated", made=made),
        Kept(fate="other_request", made=made),
    ]
    assert [item.evaluation_id for item in items] == [made]


def test_a_key_of_another_tenant_is_another_key(in_store, an_evaluation, tenant, other_tenant):
    async def body(store):
        return [
            await store.keep(tenant, an_evaluation(), sent()),
            await store.claimed(other_tenant, sent()),
            await store.keep(other_tenant, an_evaluation(), sent()),
        ]

    ours, seen, theirs = in_store(body)
    assert (ours.fate, seen, theirs.fate) == ("kept", None, "kept")


def test_many_at_once_make_one(in_store, an_evaluation, tenant):
    async def body(store):
        kept = await asyncio.gather(*(store.keep(tenant, an_evaluation(), sent()) for _ in range(40)))
        return kept, (await store.list(tenant)).items

    kept, items = in_store(body)
    assert sorted(one.fate for one in kept) == ["kept"] + ["repeated"] * 39
    assert {one.made for one in kept} == {items[0].evaluation_id}
    assert len(items) == 1


def test_a_correction_supersedes_once_and_makes_a_chain(in_store, an_evaluation, tenant, other_tenant):
    first = an_evaluation()
    second = an_evaluation(supersedes=first.evaluation_id, revision_reason="hoses were swapped")
    rival = an_evaluation(supersedes=first.evaluation_id, revision_reason="the other way")
    third = an_evaluation(supersedes=second.evaluation_id, revision_reason="and the zero")
    orphan = an_evaluation(supersedes=new_id(), revision_reason="of nothing")

    async def body(store):
        return [
            await store.keep(tenant, first),
            await store.keep(tenant, second),
            await store.keep(tenant, rival, sent()),
            await store.claimed(tenant, sent()),
            await store.keep(tenant, third),
            await store.keep(tenant, orphan),
            await store.keep(other_tenant, an_evaluation(supersedes=first.evaluation_id, revision_reason="theirs")),
            await store.fetch(tenant, second.evaluation_id),
            await store.fetch(tenant, rival.evaluation_id),
        ]

    *fates, kept, refused = in_store(body)
    assert fates == [
        Kept(fate="kept", made=first.evaluation_id),
        Kept(fate="kept", made=second.evaluation_id),
        Kept(fate="superseded", made=second.evaluation_id),
        None,
        Kept(fate="kept", made=third.evaluation_id),
        Kept(fate="nothing_to_correct", made=None),
        Kept(fate="nothing_to_correct", made=None),
    ]
    assert (kept.supersedes, kept.revision_reason) == (first.evaluation_id, "hoses were swapped")
    assert refused is None


def test_codes_that_were_found_are_rows(in_store, an_evaluation, tenant, database_url):
    kept = an_evaluation(findings={"filter_loaded": "fault", "gauge_not_zeroed": "note"}, words="hall\nattic")

    async def body(store):
        return await store.keep(tenant, kept)

    in_store(body)
    with psycopg.connect(database_url) as connection:
        connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
        rows = connection.execute(
            "SELECT code, severity::text FROM airside.evaluation_findings WHERE evaluation_id = %s ORDER BY code",
            (kept.evaluation_id,),
        ).fetchall()
    assert rows == [("filter_loaded", "fault"), ("gauge_not_zeroed", "note")]


@pytest.mark.parametrize("key", ["", "x" * 256])
def test_a_key_has_1_to_255_characters(in_store, an_evaluation, tenant, key):
    async def body(store):
        return await store.keep(tenant, an_evaluation(), sent(key))

    with pytest.raises(psycopg.errors.CheckViolation):
        in_store(body)
