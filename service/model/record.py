"""What the store keeps and gives back: evaluations and reassessments as stored rows, tenants, API keys."""

import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Literal

import msgspec

from service.model.evaluation import Severity
from service.model.outcome import Prevailing

Units = Literal["ip", "si"]
Scope = Literal["evaluations:read", "evaluations:write", "account:manage"]
SCOPES: tuple[Scope, ...] = ("evaluations:read", "evaluations:write", "account:manage")


class Tenant(msgspec.Struct, frozen=True, kw_only=True):
    """Who is asking: the tenant that an API key belongs to, and what the key allows.

    `ruleset` is the version of the rules that judges its visits where a request names none; None for the current one.
    `language` is that of its words where a reader asks for none; `limit_overrides` its own limits, encoded.
    """

    tenant_id: uuid.UUID
    key_id: uuid.UUID
    scopes: frozenset[str]
    units: Units
    ruleset: str | None = None
    language: str | None = None
    limit_overrides: bytes | None = None


class TenantSummary(msgspec.Struct, frozen=True, kw_only=True):
    """A tenant as listed to the operator."""

    tenant_id: uuid.UUID
    name: str
    units: Units
    created_at: datetime
    ruleset: str | None = None


class KeyCreated(msgspec.Struct, frozen=True, kw_only=True):
    """A new API key; `secret` is shown this once and kept nowhere."""

    tenant_id: uuid.UUID
    key_id: uuid.UUID
    secret: str
    expires_at: datetime | None

    def __repr__(self) -> str:
        """Without the secret, so that it does not end up in a log."""
        return f"KeyCreated(tenant_id={self.tenant_id!r}, key_id={self.key_id!r}, secret=...)"


class KeySummary(msgspec.Struct, frozen=True, kw_only=True):
    """An API key as listed to the operator; `last_used_at` is kept to the hour."""

    tenant_id: uuid.UUID
    key_id: uuid.UUID
    label: str
    scopes: tuple[str, ...]
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None
    last_used_at: datetime | None


class EvaluationSummary(msgspec.Struct, frozen=True, kw_only=True):
    """A kept evaluation as listed; the fields mean what they mean in `StoredEvaluation`, gravest finding first."""

    evaluation_id: uuid.UUID
    created_at: datetime
    visited_at: datetime | None
    site_reference: str | None
    equipment_reference: str | None
    job_reference: str | None
    ruleset_version: str
    ruleset_digest: str
    highest_severity: Severity | None
    units: Units
    findings: Mapping[str, Severity] = {}
    supersedes: uuid.UUID | None = None
    superseded_by: uuid.UUID | None = None


class EvaluationPage(msgspec.Struct, frozen=True, kw_only=True):
    """Some evaluations, newest first, and the cursor to the next page where there is one."""

    items: tuple[EvaluationSummary, ...]
    next_cursor: str | None


class StoredEvaluation(msgspec.Struct, frozen=True, kw_only=True):
    """One evaluation with all that is needed to answer for it later. Kept once, never changed.

    Attributes:
        evaluation_id: UUID of version 7.
        created_at: when it was made, with offset; microseconds are kept.
        visited_at: when the readings were taken, with offset.
        site_reference, equipment_reference, job_reference: the client's own names, as given.
        ruleset_version, ruleset_digest: what it was judged by.
        highest_severity: of its findings; None where nothing was found.
        units: unit system of the first answer.
        request: the very bytes that were received.
        evaluation: the encoded evaluation.
        request_id, trace_parent: of the request that made it.
        supersedes: the evaluation that this one corrects, with `revision_reason`.
        superseded_by: the evaluation that corrects this one; not kept with it, but told by `fetch`.
        outcomes: the reports on its findings that prevail, newest first; likewise.
        account_limits: encoded limits of the account that held besides those of the request.
        findings: each code that was found -> its gravest severity; not given back by `fetch`.
        words: labels and notes of the request, to be searched; not given back by `fetch`.
    """

    evaluation_id: uuid.UUID
    created_at: datetime
    ruleset_version: str
    ruleset_digest: str
    units: Units
    request: bytes
    evaluation: bytes
    visited_at: datetime | None = None
    site_reference: str | None = None
    equipment_reference: str | None = None
    job_reference: str | None = None
    highest_severity: Severity | None = None
    request_id: str | None = None
    trace_parent: str | None = None
    supersedes: uuid.UUID | None = None
    revision_reason: str | None = None
    account_limits: bytes | None = None
    findings: Mapping[str, Severity] = {}
    words: str = ""
    superseded_by: uuid.UUID | None = None
    outcomes: tuple[Prevailing, ...] = ()


class ChainMember(msgspec.Struct, frozen=True, kw_only=True):
    """One of the evaluations that correct each other; the fields mean what they mean in `StoredEvaluation`."""

    evaluation_id: uuid.UUID
    created_at: datetime
    visited_at: datetime | None
    ruleset_version: str
    ruleset_digest: str
    highest_severity: Severity | None
    supersedes: uuid.UUID | None
    revision_reason: str | None


class Sent(msgspec.Struct, frozen=True, kw_only=True):
    """A request that its client may send again.

    Attributes:
        key: stands for the key that the client gave, 1 to 255 characters; in practice its SHA-256 in hexadecimal.
        digest: SHA-256 of operation, address and body.
    """

    key: str
    digest: bytes


class Kept(msgspec.Struct, frozen=True, kw_only=True):
    """What became of something to be kept.

    `made` is what is there now: what was to be kept for `kept`; what the first request made for `repeated` and
    `other_request`; what corrects already for `superseded`; None for `nothing_to_correct`, where the evaluation that it
    belongs to is not there.
    """

    fate: Literal["kept", "repeated", "other_request", "superseded", "nothing_to_correct"]
    made: uuid.UUID | None


class EvaluationFilter(msgspec.Struct, frozen=True, kw_only=True):
    """Which evaluations to list; what is left out does not narrow.

    Attributes:
        site_reference, equipment_reference, job_reference: exactly this reference.
        least_severity: a finding of this severity or a more serious one.
        created_from, created_before: made at or after, and made before; with offset.
        visited_from, visited_before: the readings taken at or after, and before; with offset.
        finding: a finding of this code.
        ruleset_version: judged by this version of the rules.
        words: all of these words in labels and notes, case folded.
        superseded: with those that a later one corrects.
    """

    site_reference: str | None = None
    equipment_reference: str | None = None
    job_reference: str | None = None
    least_severity: Severity | None = None
    created_from: datetime | None = None
    created_before: datetime | None = None
    visited_from: datetime | None = None
    visited_before: datetime | None = None
    finding: str | None = None
    ruleset_version: str | None = None
    words: str | None = None
    superseded: bool = False


class ReassessmentSummary(msgspec.Struct, frozen=True, kw_only=True):
    """A kept reassessment as listed; the fields mean what they mean in `StoredReassessment`."""

    reassessment_id: uuid.UUID
    created_at: datetime
    ruleset_version: str
    ruleset_digest: str
    service_version: str
    highest_severity: Severity | None
    units: Units


class ReassessmentPage(msgspec.Struct, frozen=True, kw_only=True):
    """Some reassessments of one evaluation, newest first, and the cursor to the next page where there is one."""

    items: tuple[ReassessmentSummary, ...]
    next_cursor: str | None


class StoredReassessment(msgspec.Struct, frozen=True, kw_only=True):
    """A kept visit judged again, beside its evaluation. Kept once, never changed.

    Attributes:
        evaluation_id: the evaluation whose request was judged again.
        reassessment_id: UUID of version 7.
        created_at: when it was made, with offset.
        ruleset_version, ruleset_digest, service_version: what it was judged by.
        highest_severity: of its findings; None where nothing was found.
        units: unit system of the first answer.
        evaluation: the encoded evaluation.
        difference: the encoded difference to the evaluation that was kept first.
        request_id, trace_parent: of the request that made it.
    """

    evaluation_id: uuid.UUID
    reassessment_id: uuid.UUID
    created_at: datetime
    ruleset_version: str
    ruleset_digest: str
    service_version: str
    units: Units
    evaluation: bytes
    difference: bytes
    highest_severity: Severity | None = None
    request_id: str | None = None
    trace_parent: str | None = None
