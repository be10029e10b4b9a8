"""From what happens to what a receiver gets: signed, at least once, tried again, given up, replayed."""

import asyncio
import json
import ssl
import uuid
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from msgspec.structs import replace
from standardwebhooks import Webhook as Verifier
from standardwebhooks import WebhookVerificationError

from service.errors import StoreUnavailable
from service.model.record import StoredReassessment
from service.model.webhook import TryOutcome
from service.notify.sender import Sender
from service.store.database import new_id
from service.store.keys import create_tenant
from service.store.outbox import Outbox
from service.store.sealing import Seal
from service.store.webhooks import new_secret
from tests.notify.receiver import Receiver, write_certificate


def test_what_arrives_is_signed_thin_and_noted(over, receiver):
    async def body(over):
        webhook, secret = await over.subscribe(receiver.url)
        first = await over.happen(
            highest_severity="hazard",
            findings={"b_fault": "fault", "a_hazard": "hazard", "a_fault": "fault"},
            site_reference="invented-site",
            words="an invented note",
        )
        second = await over.happen(supersedes=first)
        assert await over.sender.deliver_all_due() == 2
        return secret, first, second, await over.listed(webhook)

    secret, first, second, listed = over(body)
    told = {got.webhook_id: Verifier(secret).verify(got.body, got.headers) for got in receiver.got}
    assert [told[str(delivery.delivery_id)]["type"] for delivery in listed] == [
        "evaluation.revised", "evaluation.created"
    ]  # fmt: skip
    revised, created = (told[str(delivery.delivery_id)] for delivery in listed)
    assert created["data"] == {
        "evaluation_id": str(first),
        "highest_severity": "hazard",
        "findings": ["a_hazard", "a_fault", "b_fault"],
        "links": {"evaluation": f"/v1/evaluations/{first}"},
    }
    assert revised["data"]["supersedes"] == str(first)
    assert revised["data"]["evaluation_id"] == str(second)
    assert revised["data"]["findings"] == []
    assert datetime.fromisoformat(created["timestamp"]) == listed[1].created_at
    assert not any(b"invented" in got.body for got in receiver.got)
    assert {got.headers["content-type"] for got in receiver.got} == {"application/json"}
    assert {got.path for got in receiver.got} == {"/told?by=airside"}
    assert [(one.state, one.status, one.attempts, one.failure) for one in listed] == [("delivered", 204, 1, None)] * 2


@pytest.mark.parametrize(
    ("status", "delivered"), [(200, True), (299, True), (300, False), (302, False), (404, False), (500, False)]
)
def test_only_2xx_counts_and_redirects_are_not_followed(over, receiver, status, delivered):
    receiver.answer = lambda *_: (status, {"location": receiver.url}, b"")

    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        await over.sender.deliver_due()
        return (await over.listed(webhook))[0]

    found = over(body)
    assert len(receiver.got) == 1
    assert (found.state, found.status) == ("delivered" if delivered else "pending", status)


def test_it_is_tried_again_by_the_schedule_then_dead_then_replayed(over, receiver):
    receiver.answer = lambda number, _: (500 if number <= 3 else 200, {}, b"no")

    async def body(over):
        webhook, secret = await over.subscribe(receiver.url)
        await over.happen()
        assert await over.sender.deliver_due() == 1
        for wait in over.sending.retries:
            (waiting,) = await over.listed(webhook, "pending")
            assert abs((waiting.due_at - datetime.now(UTC)).total_seconds() - wait) < 2
            over.pass_time(wait - 2)
            assert await over.sender.deliver_due() == 0
            over.pass_time(2)
            assert await over.sender.deliver_due() == 1
        (dead,) = await over.listed(webhook, "dead")
        assert (dead.status, dead.attempts, dead.due_at) == (500, 3, None)
        assert await over.sender.deliver_all_due() == 0
        assert (await over.webhooks.fetch(over.tenant, webhook.webhook_id)).failures_in_a_row == 3
        assert await over.webhooks.replay(over.tenant, webhook.webhook_id, dead.delivery_id)
        assert await over.sender.deliver_due() == 1
        found, attempts = await over.webhooks.delivery(over.tenant, webhook.webhook_id, dead.delivery_id)
        assert (found.state, found.attempts) == ("delivered", 4)
        assert [attempt.status for attempt in attempts] == [500, 500, 500, 200]
        assert (await over.webhooks.fetch(over.tenant, webhook.webhook_id)).failures_in_a_row == 0
        return secret

    secret = over(body)
    assert len({got.webhook_id for got in receiver.got}) == 1
    assert len({got.body for got in receiver.got}) == 1
    for got in receiver.got:
        Verifier(secret).verify(got.body, got.headers)


def test_dead_ones_are_replayed_together_within_a_time(over, receiver):
    receiver.answer = lambda number, _: (500 if number <= 3 else 200, {}, b"")

    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        for _ in range(3):
            await over.happen()
        assert await over.sender.deliver_all_due() == 3
        moments = sorted(one.created_at for one in await over.listed(webhook, "dead"))
        replay = over.webhooks.replay_dead
        assert await replay(over.tenant, webhook.webhook_id, moments[1], moments[2]) == 1
        assert await replay(over.tenant, webhook.webhook_id, None, None) == 2
        assert await replay(over.tenant, webhook.webhook_id, None, None) == 0
        assert await replay(over.tenant, uuid.uuid4(), None, None) is None
        assert await over.sender.deliver_all_due() == 3
        assert len(await over.listed(webhook, "delivered")) == 3

    over(body, retries=())


def test_a_target_that_is_slow_or_not_there_is_tried_again(over, receiver):
    receiver.seconds = 1.2

    async def body(over):
        slow, _ = await over.subscribe(receiver.url)
        nowhere, _ = await over.subscribe("http://127.0.0.1:9/")
        await over.happen()
        assert await over.sender.deliver_due() == 2
        return [(await over.listed(webhook))[0] for webhook in (slow, nowhere)]

    slow, nowhere = over(body, seconds=0.6)
    assert [(one.state, one.status, one.failure) for one in (slow, nowhere)] == [
        ("pending", None, "timed_out"), ("pending", None, "not_connected")
    ]  # fmt: skip


def test_an_endless_answer_is_not_read_to_its_end(over, receiver):
    receiver.answer = lambda *_: (200, {}, b"x" * 50_000_000)

    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        await over.sender.deliver_due()
        return (await over.listed(webhook))[0]

    assert over(body).state == "delivered"


def test_retry_after_is_heeded_and_bounded(over, receiver):
    answers = {1: (503, "120"), 2: (429, "99999"), 3: (500, "120")}
    receiver.answer = lambda number, _: (answers[number][0], {"retry-after": answers[number][1]}, b"")

    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        waits = []
        for _ in answers:
            await over.sender.deliver_due()
            (waiting,) = await over.listed(webhook)
            waits.append(round((waiting.due_at - datetime.now(UTC)).total_seconds(), -1))
            over.pass_time(1000)
        return waits

    assert over(body, retries=(10.0, 20.0, 30.0, 600.0)) == [120, 600, 30]


def test_jitter_only_lengthens(over):
    async def body(over):
        shares = [
            Sender(over.outbox, over.seal, over.sending, chance=lambda chance=chance: chance)._again(1, 0.0)
            for chance in (0.0, 0.5, 1.0)
        ]
        assert shares == [5.0, 5.5, 6.0]
        assert over.sender._again(3, 0.0) is None

    over(body, jitter=0.2)


def test_gone_disables_the_webhook_and_enabling_sends_what_waits(over, receiver):
    receiver.answer = lambda number, _: (410 if number == 1 else 200, {}, b"")

    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        await over.sender.deliver_due()
        found = await over.webhooks.fetch(over.tenant, webhook.webhook_id)
        assert not found.enabled
        assert found.gone_at is not None
        assert [one.state for one in await over.listed(webhook)] == ["dead"]
        await over.happen()
        assert len(await over.listed(webhook)) == 1
        assert await over.webhooks.ping(over.tenant, webhook.webhook_id, uuid.uuid4()) == "disabled"
        changed = await over.webhooks.change(over.tenant, webhook)
        assert (changed.enabled, changed.gone_at, changed.failures_in_a_row) == (True, None, 0)
        assert await over.webhooks.replay_dead(over.tenant, webhook.webhook_id, None, None) == 1
        assert await over.sender.deliver_due() == 1
        assert [one.state for one in await over.listed(webhook)] == ["delivered"]

    over(body)


def test_what_waits_while_disabled_waits(over, receiver):
    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        disabled = await over.webhooks.change(over.tenant, replace(webhook, enabled=False))
        assert not disabled.enabled
        assert await over.sender.deliver_due() == 0
        await over.webhooks.change(over.tenant, webhook)
        assert await over.sender.deliver_due() == 1

    over(body)


def test_a_crash_between_sending_and_recording_sends_it_again_under_the_same_id(over, receiver):
    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        (due,) = await over.outbox.lease(10, 10, 60)
        came = await over.sender.attempt(due)
        assert came.delivered
        # The process ends here: nothing is recorded.
        assert await over.sender.deliver_due() == 0
        over.pass_time(61)
        assert await over.sender.deliver_due() == 1
        # Had it only been slow, what it records by now is not heeded.
        assert not await over.outbox.record(due, came)
        (delivery,) = await over.listed(webhook)
        return delivery

    delivery = over(body)
    assert [got.webhook_id for got in receiver.got] == [str(delivery.delivery_id)] * 2
    assert (delivery.state, delivery.attempts) == ("delivered", 2)


def test_during_a_rotation_both_secrets_verify_and_afterwards_one(over, receiver):
    async def body(over):
        webhook, first = await over.subscribe(receiver.url)
        second, third, now = new_secret(), new_secret(), datetime.now(UTC)
        rotate = over.webhooks.rotate
        assert await rotate(over.tenant, webhook.webhook_id, second, now, now + timedelta(hours=24))
        await over.happen()
        await over.sender.deliver_due()
        over.pass_time(24 * 3600)
        await over.happen()
        await over.sender.deliver_due()
        assert await rotate(over.tenant, webhook.webhook_id, third, now, now + timedelta(hours=24))
        await over.happen()
        await over.sender.deliver_due()
        assert not await rotate(over.tenant, uuid.uuid4(), third, now, now)
        return first, second, third

    secrets = over(body)
    verified = [[_verifies(secret, got) for secret in secrets] for got in receiver.got]
    assert verified == [[True, True, False], [False, True, False], [False, True, True]]
    assert [len(got.headers["webhook-signature"].split()) for got in receiver.got] == [2, 1, 2]


def _verifies(secret, got):
    try:
        Verifier(secret).verify(got.body, got.headers)
    except WebhookVerificationError:
        return False
    return True


def test_a_secret_that_cannot_be_opened_is_not_signed_with_another(over, receiver):
    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        assert await Sender(over.outbox, Seal(), over.sending).deliver_due() == 1
        return (await over.listed(webhook))[0]

    found = over(body)
    assert (found.state, found.failure) == ("pending", "secret_not_readable")
    assert receiver.got == []


def test_what_cannot_be_sent_by_a_fault_of_the_service_is_given_up_too(over, receiver, monkeypatch, caplog):
    def faulty(due):
        raise ValueError(due)

    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        monkeypatch.setattr("service.notify.sender.event_body", faulty)
        assert await over.sender.deliver_due() == 1
        return (await over.listed(webhook))[0]

    found = over(body, retries=())
    assert (found.state, found.failure) == ("dead", "internal_fault")
    assert "whsec_" not in caplog.text
    assert receiver.url not in caplog.text


def test_private_targets_are_refused_at_sending_too(over, receiver):
    """A name may have stood for a public address when the webhook was made."""

    async def private(host, port):
        return ["127.0.0.1"]

    async def body(over):
        port = receiver.url.partition("127.0.0.1:")[2].partition("/")[0]
        webhook, _ = await over.subscribe(f"https://dispatch.example.com:{port}/")
        await over.happen()
        sender = Sender(over.outbox, over.seal, over.sending, by=private)
        await sender.deliver_due()
        await sender.close()
        return (await over.listed(webhook))[0]

    found = over(body, private_targets=False)
    assert (found.state, found.failure) == ("pending", "target_refused")
    assert receiver.got == []


def test_two_senders_share_200_events_and_each_arrives(over, receiver):
    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        made = [await over.happen() for _ in range(200)]
        senders = [Sender(Outbox(over.store), over.seal, over.sending) for _ in range(2)]
        running = [asyncio.create_task(sender.run()) for sender in senders]
        async with asyncio.timeout(20):
            while await over.listed(webhook, "pending"):
                await asyncio.sleep(0.05)
        for task in running:
            task.cancel()
        await asyncio.wait(running)
        assert len(await over.listed(webhook, "delivered")) == 50  # a page of them
        return {str(evaluation_id) for evaluation_id in made}

    made = over(body)
    assert {json.loads(got.body)["data"]["evaluation_id"] for got in receiver.got} == made
    assert len(receiver.got) == 200  # nobody crashed, so none came twice


def test_a_slow_target_does_not_hold_up_the_others(over, receiver):
    async def body(over):
        slow, _ = await over.subscribe("http://127.0.0.1:9/slow")
        for _ in range(30):
            await over.happen()
        quick, _ = await over.subscribe(receiver.url)
        await over.happen()
        leased = await over.outbox.lease(32, 8, 60)
        assert [sum(one.webhook_id == webhook.webhook_id for one in leased) for webhook in (slow, quick)] == [8, 1]
        assert await over.outbox.lease(32, 8, 60) == []

    over(body)


def test_slow_targets_of_one_account_do_not_hold_up_the_others(over, receiver, outbox_url):
    async def body(over):
        for number in range(4):
            await over.subscribe(f"http://127.0.0.1:9/{number}")
        for _ in range(5):
            await over.happen()
        theirs = create_tenant(outbox_url, "Made-up Comfort")
        webhook, _ = await over.subscribe(receiver.url, tenant=theirs)
        assert await over.webhooks.ping(theirs, webhook.webhook_id, new_id()) == "sent"
        leased = await over.outbox.lease(64, 4, 60)
        assert [sum(one.tenant_id == tenant for one in leased) for tenant in (over.tenant, theirs)] == [8, 1]
        for one in leased:
            await over.outbox.record(one, TryOutcome(milliseconds=1, status=204, delivered=True))
        assert len(await over.outbox.lease(64, 4, 60)) == 8

    over(body)


@pytest.mark.parametrize(
    ("issued_to", "trusted", "failure"),
    [
        ("dispatch.example.com", True, None),
        ("dispatch.example.com", False, "not_connected"),
        ("other.example.com", True, "not_connected"),
    ],
)
def test_certificates_are_checked_by_name_though_the_address_is_fixed(
    over, tmp_path, monkeypatch, issued_to, trusted, failure
):
    """Sent to the address that was looked at; the certificate must be of the name, by an authority that is trusted."""
    certificate, key = tmp_path / "certificate.pem", tmp_path / "key.pem"
    write_certificate(issued_to, certificate, key)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    receiver = Receiver(context)
    if trusted:
        monkeypatch.setenv("SSL_CERT_FILE", str(certificate))

    async def here(host, port):
        assert host == "dispatch.example.com"
        return ["127.0.0.1"]

    async def body(over):
        webhook, secret = await over.subscribe(f"https://dispatch.example.com:{receiver.port}/told")
        await over.happen()
        sender = Sender(over.outbox, over.seal, over.sending, by=here)
        await sender.deliver_due()
        await sender.close()
        return secret, (await over.listed(webhook))[0]

    try:
        secret, found = over(body)
    finally:
        receiver.close()
    assert found.failure == failure
    assert [got.headers["host"] for got in receiver.got] == (
        [f"dispatch.example.com:{receiver.port}"] if failure is None else []
    )
    for got in receiver.got:
        Verifier(secret).verify(got.body, got.headers)


def test_a_database_that_is_away_is_waited_for(over, receiver, monkeypatch):
    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        real, asked = over.outbox.lease, []

        async def lease(*arguments):
            asked.append(arguments)
            if len(asked) == 1:
                raise StoreUnavailable
            return await real(*arguments)

        monkeypatch.setattr(over.outbox, "lease", lease)
        running = asyncio.create_task(over.sender.run())
        async with asyncio.timeout(10):
            while not await over.listed(webhook, "delivered"):
                await asyncio.sleep(0.05)
        running.cancel()
        await asyncio.wait([running])

    over(body)
    assert len(receiver.got) == 1


def test_sending_ends_although_a_cancellation_was_lost(over, monkeypatch):
    """As `asyncio.wait_for` loses one in CPython 3.11 (python/cpython issue 86296)."""
    asked = []

    async def lease(*arguments):
        asked.append(arguments)
        try:
            await asyncio.sleep(60)
        except asyncio.CancelledError:
            raise StoreUnavailable from None

    async def body(over):
        monkeypatch.setattr(over.outbox, "lease", lease)
        running = asyncio.create_task(over.sender.run())
        async with asyncio.timeout(10):
            while not asked:
                await asyncio.sleep(0.01)
            running.cancel()
            await asyncio.wait([running])

    over(body)
    assert len(asked) == 1


def test_finished_deliveries_are_swept_after_their_time(over, receiver):
    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        disabled, _ = await over.subscribe(receiver.url)
        await over.happen()
        await over.webhooks.change(over.tenant, replace(disabled, enabled=False))
        assert await over.sender.deliver_due() == 1
        over.pass_time(29 * 86400)
        assert await over.outbox.sweep(30, 100) == 0
        over.pass_time(86400 + 60)
        with psycopg.connect(over.url) as connection:
            connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(over.tenant),))
            connection.execute("UPDATE airside.webhook_deliveries SET created_at = created_at - interval '31 days'")
        await over.happen()
        assert await over.outbox.sweep(30, 100) == 2
        assert [one.state for one in await over.listed(webhook)] == ["pending"]
        assert await over.listed(disabled) == ()

    over(body)


def test_another_accounts_webhook_is_as_if_it_were_not_there(over, receiver, outbox_url):
    async def body(over):
        theirs = create_tenant(outbox_url, "Made-up Comfort")
        webhook, _ = await over.subscribe(receiver.url, tenant=theirs)
        await over.happen()
        assert await over.sender.deliver_due() == 0
        assert await over.webhooks.fetch(over.tenant, webhook.webhook_id) is None
        assert await over.webhooks.list(over.tenant) == ()
        assert [one.webhook_id for one in await over.webhooks.list(theirs)] == [webhook.webhook_id]
        assert await over.webhooks.change(over.tenant, webhook) is None
        assert not await over.webhooks.remove(over.tenant, webhook.webhook_id)
        assert await over.webhooks.ping(over.tenant, webhook.webhook_id, uuid.uuid4()) == "missing"
        assert await over.webhooks.ping(theirs, webhook.webhook_id, uuid.uuid4()) == "sent"
        (delivery,) = (await over.webhooks.deliveries(theirs, webhook.webhook_id)).items
        assert (await over.webhooks.deliveries(over.tenant, webhook.webhook_id)).items == ()
        assert await over.webhooks.delivery(over.tenant, webhook.webhook_id, delivery.delivery_id) is None
        assert not await over.webhooks.replay(over.tenant, webhook.webhook_id, delivery.delivery_id)

    over(body)


@pytest.mark.parametrize(
    ("minimum", "severity", "told"),
    [
        (None, None, True), (None, "note", True), ("note", None, False), ("note", "note", True),
        ("fault", "advisory", False), ("fault", "fault", True), ("fault", "hazard", True), ("hazard", "fault", False),
    ],
)  # fmt: skip
def test_the_least_severity_on_both_sides(over, receiver, minimum, severity, told):
    async def body(over):
        webhook, _ = await over.subscribe(receiver.url, minimum_severity=minimum)
        other, _ = await over.subscribe(receiver.url, events=("evaluations.erased",))
        await over.happen(highest_severity=severity)
        assert await over.listed(other) == ()
        return len(await over.listed(webhook))

    assert over(body) == int(told)


def test_what_is_rolled_back_is_not_told_and_what_is_erased_no_more(over, receiver):
    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        with psycopg.connect(over.url) as connection:
            connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(over.tenant),))
            connection.execute(
                "INSERT INTO airside.evaluations (tenant_id, evaluation_id, created_at, ruleset_version,"
                " ruleset_digest, units, request, evaluation)"
                " VALUES (%s, gen_random_uuid(), now(), '', '', 'ip', '', '')",
                (over.tenant,),
            )
            counted = "SELECT count(*) FROM airside.webhook_deliveries"
            assert connection.execute(counted).fetchone() == (1,)
            connection.rollback()
        assert await over.listed(webhook) == ()
        evaluation_id = await over.happen()
        assert len(await over.listed(webhook)) == 1
        with psycopg.connect(over.url) as connection:
            connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(over.tenant),))
            connection.execute("DELETE FROM airside.evaluations WHERE evaluation_id = %s", (evaluation_id,))
        assert await over.listed(webhook) == ()
        assert await over.sender.deliver_due() == 0

    over(body)


def test_removing_a_webhook_and_recording_a_try_do_not_wait_for_each_other(over, receiver):
    """Removing takes the webhook first and then its deliveries; recording must not go the other way round."""

    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        (due,) = await over.outbox.lease(10, 10, 60)
        async with await psycopg.AsyncConnection.connect(over.url) as removing:
            await removing.execute("SELECT set_config('airside.tenant', %s, false)", (str(over.tenant),))
            key = (webhook.webhook_id,)
            await removing.execute("SELECT FROM airside.webhooks WHERE webhook_id = %s FOR UPDATE", key)
            recording = asyncio.create_task(over.outbox.record(due, TryOutcome(milliseconds=1, status=500)))
            await _until_one_waits(over.url)
            await removing.execute("DELETE FROM airside.webhooks WHERE webhook_id = %s", key)
        assert await recording is False
        assert await over.webhooks.fetch(over.tenant, webhook.webhook_id) is None

    over(body)


async def _until_one_waits(url):
    waiting = "SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND datname = current_database()"
    async with await psycopg.AsyncConnection.connect(url, autocommit=True) as watching, asyncio.timeout(5):
        while await (await watching.execute(waiting)).fetchone() != (1,):
            await asyncio.sleep(0.01)


def test_a_sender_that_is_told_to_stop_finishes_what_is_under_way(over, receiver):
    receiver.seconds = 0.3

    async def body(over):
        webhook, _ = await over.subscribe(receiver.url)
        await over.happen()
        running = asyncio.create_task(over.sender.run())
        async with asyncio.timeout(5):
            while not receiver.got:
                await asyncio.sleep(0.01)
        running.cancel()
        await asyncio.wait([running])
        assert [one.state for one in await over.listed(webhook)] == ["delivered"]

    over(body)


@pytest.mark.parametrize("minimum", ["advisory", "fault"])
def test_a_visit_that_is_judged_again_is_told_with_its_own_severity(over, receiver, minimum):
    """The evaluation has none, the reassessment an advisory: so one is told of at `advisory`, and none at `fault`."""

    async def body(over):
        webhook, secret = await over.subscribe(receiver.url, minimum_severity=minimum)
        evaluation_id = await over.happen()
        again = StoredReassessment(
            evaluation_id=evaluation_id,
            reassessment_id=new_id(),
            created_at=datetime.now(UTC),
            ruleset_version="2.0.0",
            ruleset_digest="0" * 64,
            service_version="0.1.0",
            units="ip",
            evaluation=b"{}",
            difference=b"{}",
            highest_severity="advisory",
        )
        await over.store.keep_reassessment(over.tenant, again)
        await over.sender.deliver_all_due()
        abouts = [one.about for one in await over.listed(webhook)]
        assert abouts == ([again.reassessment_id] if minimum == "advisory" else [])
        return secret, evaluation_id, again.reassessment_id

    secret, evaluation_id, reassessment_id = over(body)
    told = [Verifier(secret).verify(got.body, got.headers) for got in receiver.got]
    address = f"/v1/evaluations/{evaluation_id}"
    expected = {
        "evaluation_id": str(evaluation_id),
        "reassessment_id": str(reassessment_id),
        "highest_severity": "advisory",
        "links": {"evaluation": address, "reassessment": f"{address}/reassessments/{reassessment_id}"},
    }
    assert [(one["type"], one["data"]) for one in told] == (
        [("evaluation.reassessed", expected)] if minimum == "advisory" else []
    )


def test_an_erasure_is_told_and_nothing_more_of_what_it_erased(over, receiver):
    async def body(over):
        _, secret = await over.subscribe(receiver.url)
        erased, kept = await over.happen(), await over.happen()
        erasure_id = new_id()
        await over.store.rows(
            "SELECT * FROM airside.erase(%s, %s, now(), 'evaluation', NULL, NULL, %s, NULL, NULL, 'an invented reason',"
            " NULL, 10, true)",
            (over.tenant, erasure_id, erased),
        )
        await over.sender.deliver_all_due()
        return secret, kept, erasure_id

    secret, kept, erasure_id = over(body)
    events = [Verifier(secret).verify(got.body, got.headers) for got in receiver.got]
    told = {event["type"]: event["data"] for event in events}
    assert len(receiver.got) == 2
    assert told["evaluation.created"]["evaluation_id"] == str(kept)
    assert told["evaluations.erased"] == {
        "erasure_id": str(erasure_id), "links": {"erasure": f"/v1/erasures/{erasure_id}"}
    }  # fmt: skip


@pytest.mark.parametrize(
    "statement",
    [
        "SELECT sealed FROM airside.webhook_secrets",
        "UPDATE airside.webhook_secrets SET sealed = ''",
        "DELETE FROM airside.webhook_deliveries",
        "UPDATE airside.webhook_attempts SET status = 200",
    ],
)
def test_the_application_role_reads_no_secret_and_removes_no_trace(outbox_url, tenant, statement):
    with psycopg.connect(outbox_url) as connection:
        connection.execute("SET ROLE airside_app")
        connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute(statement)


def test_leasing_leaves_no_tenant_named(over, receiver):
    """The function goes from tenant to tenant; who calls it must not see the last one's rows afterwards."""

    async def body(over):
        await over.subscribe(receiver.url)
        await over.happen()
        with psycopg.connect(over.url) as connection:
            connection.execute("SET ROLE airside_app")
            leased = connection.execute(
                "SELECT * FROM airside.lease_deliveries(10, 10, interval '1 minute')"
            ).fetchall()
            assert len(leased) == 1
            for table in ("webhooks", "webhook_deliveries", "evaluations"):
                assert connection.execute(f"SELECT count(*) FROM airside.{table}").fetchone() == (0,)

    over(body)
