"""Keeping, correcting, sending again and erasing in any order, held against a plain model of it in Python."""

import random

from service.model.erasure import Selector
from service.model.record import EvaluationFilter, Sent
from service.store.database import new_id
from service.store.erasures import Erasures
from service.store.keys import create_tenant

SITES = ("a", "b", "c")


class Model:
    """What must be there: evaluations by id, what corrects what, keys, tombstones."""

    def __init__(self):
        self.there = {}
        self.gone = set()
        self.keys = {}

    def corrected_by(self, evaluation_id):
        return next((one for one, kept in self.there.items() if kept.supersedes == evaluation_id), None)

    def keep(self, kept, sent):
        if sent is not None and sent.key in self.keys:
            digest, made = self.keys[sent.key]
            return ("repeated" if digest == sent.digest else "other_request"), made
        if kept.supersedes is not None and kept.supersedes not in self.there:
            return "nothing_to_correct", None
        if kept.supersedes is not None and (by := self.corrected_by(kept.supersedes)) is not None:
            return "superseded", by
        self.there[kept.evaluation_id] = kept
        if sent is not None:
            self.keys[sent.key] = (sent.digest, kept.evaluation_id)
        return "kept", kept.evaluation_id

    def erase(self, selector):
        doomed = {
            one
            for one, kept in self.there.items()
            if selector.value == (kept.site_reference if selector.kind == "site" else str(one))
        }
        while more := {self.there[one].supersedes for one in doomed} & self.there.keys() - doomed:
            doomed |= more
        for one in doomed:
            del self.there[one]
        self.gone |= doomed
        return len(doomed)

    def chain(self, evaluation_id):
        first = evaluation_id
        while self.there[first].supersedes in self.there:
            first = self.there[first].supersedes
        chain = [first]
        while (following := self.corrected_by(chain[-1])) is not None:
            chain.append(following)
        return chain


def test_the_record_does_as_the_model_does(in_store, an_evaluation, database_url):
    met = set()
    for seed in range(6):
        tenant = create_tenant(database_url, f"Invented account {seed}")
        met |= run(random.Random(seed), in_store, an_evaluation, tenant)
    assert met == {"kept", "repeated", "other_request", "superseded", "nothing_to_correct", "erased"}


def run(chance, in_store, an_evaluation, tenant):
    """One account's record next to its model; what was met."""
    model = Model()

    async def body(store):
        erasures = Erasures(store)
        fates = set()
        for _ in range(60):
            known = [*model.there, *model.gone, new_id()]
            if chance.random() < 0.15:
                kind = chance.choice(["site", "evaluation"])
                selector = Selector(kind=kind, value=str(chance.choice(SITES if kind == "site" else known)))
                expected = model.erase(selector)
                erased = await erasures.erase(tenant, selector, "asked for", new_id(), an_evaluation().created_at)
                assert erased.evaluations == expected
            else:
                correcting = chance.random() < 0.5
                kept = an_evaluation(
                    site_reference=chance.choice(SITES),
                    supersedes=chance.choice(known) if correcting else None,
                    revision_reason="read again" if correcting else None,
                )
                key, digest = chance.choice("klmn"), chance.choice((b"d", b"e")) * 32
                sent = Sent(key=key, digest=digest) if chance.random() < 0.4 else None
                fate, made = model.keep(kept, sent)
                fates.add(fate)
                told = await store.keep(tenant, kept, sent)
                assert (told.fate, told.made) == (fate, made)
        for one in model.there:
            read = await store.fetch(tenant, one)
            assert (read.supersedes, read.superseded_by) == (model.there[one].supersedes, model.corrected_by(one))
            assert [member.evaluation_id for member in await store.chain(tenant, one)] == model.chain(one)
        for one in model.gone:
            assert await store.fetch(tenant, one) is None
            assert await store.chain(tenant, one) == ()
            assert await erasures.tombstone(tenant, one) is not None
        for site in SITES:
            here = {one for one, kept in model.there.items() if kept.site_reference == site}
            for superseded in (True, False):
                page = await store.list(tenant, EvaluationFilter(site_reference=site, superseded=superseded), limit=200)
                shown = {one for one in here if superseded or model.corrected_by(one) is None}
                assert {item.evaluation_id for item in page.items} == shown
        return fates

    return in_store(body) | ({"erased"} if model.gone and model.there else set())
